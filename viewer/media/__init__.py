"""Files to exact pictures, linear light and sound; and back."""

from viewer.media.frame import Frame, Light
from viewer.media.index import FrameIndex
from viewer.media.info import ClipInfo
from viewer.media.reader import ClipReader, open_clip
from viewer.media.tags import LightChoice
from viewer.media.tint import Tint

__all__ = ["ClipInfo", "ClipReader", "Frame", "FrameIndex", "Light", "LightChoice", "Tint", "open_clip"]
