"""The only place that imports OpenCV.

Some builds of OpenCV bring a Qt of their own and point two environment variables at it on import; PySide6 and every child
process would inherit them.  They are put back here.
"""

from __future__ import annotations

import os

_NAMES = ("QT_QPA_PLATFORM_PLUGIN_PATH", "QT_QPA_FONTDIR")
_saved = {name: os.environ.get(name) for name in _NAMES}

import cv2  # noqa: E402

for _name, _value in _saved.items():
    if _value is None:
        os.environ.pop(_name, None)
    else:
        os.environ[_name] = _value

__all__ = ["cv2"]
