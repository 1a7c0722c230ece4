"""Hardware decoders, for looking only: which one answers on this machine for a codec.

Their pictures may differ from the standard's, code by code, and nothing tells; so they never reach a measure.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import av
from av.codec.hwaccel import HWAccel, hwdevices_available

# The system's own interface first; devices that only translate (opencl, vulkan) are left out.
ORDER = ("videotoolbox", "d3d11va", "dxva2", "vaapi", "cuda", "qsv", "vdpau", "drm", "amf")


@lru_cache(maxsize=64)
def display_device(codec: str) -> str | None:
    """Return the kind of device that decodes this codec here, None if none answers.

    Parameters
    ----------
    codec : str
        Name of the software decoder.
    """
    try:
        offered = {config.device_type.name for config in av.Codec(codec, "r").hardware_configs or () if config.is_supported}
        present = set(hwdevices_available())
    except Exception:  # noqa: BLE001 - drivers raise what they like; without an answer there is no device
        return None
    for name in ORDER:
        if name in offered and name in present and _answers(name, codec):
            return name
    return None


def accelerator(device: str) -> Any:
    """Return the media library's settings for a device; pictures come down to ordinary memory."""
    return HWAccel(device_type=device, allow_software_fallback=True)


def _answers(device: str, codec: str) -> bool:
    try:
        accelerator(device).create(av.Codec(codec, "r"))
    except Exception:  # noqa: BLE001 - see above: PermissionError was met, whatever the fallback was set to
        return False
    return True


__all__ = ["accelerator", "display_device"]
