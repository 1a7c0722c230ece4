"""Seeded pairs of pictures with known pose, of many kinds: what intervals of a pose are held against."""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import pictures

from viewer.align.picture import Picture
from viewer.align.pose import fit_pose
from viewer.align.transform import FieldCircle, Pose
from viewer.cv import cv2

SIZE = (480, 360)
KINDS = ("clean", "noisy", "mirrored", "zoom", "devices", "bands", "depth", "codec")


@dataclass(frozen=True, kw_only=True)
class Device:
    """What stands between scene and file: blur and halo (px), share of light in the halo, bend of the response, noise."""

    blur_px: float = 1.0
    halo: float = 0.0
    halo_px: float = 5.0
    fall: float = 0.2
    bend: float = 0.0
    gain: float = 1.0
    noise: float = 0.02
    bands: float = 0.0

    def clean(self, scene: pictures.Scene, pose: Pose, circle: FieldCircle, nudge: np.ndarray | None = None) -> np.ndarray:
        """Linear light without noise; `nudge` moves each blob (reference px)."""
        cols, rows = SIZE
        y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
        r = np.hypot(x - circle.cx, y - circle.cy)
        light = scene.seen(pose.matrix, SIZE, nudge) * (1.0 - self.fall * np.minimum(r / circle.radius, 1.0) ** 2)
        light = light / (1.0 + self.bend * light) * np.clip(circle.radius - r + 0.5, 0.0, 1.0)
        sharp = cv2.GaussianBlur(light.astype(np.float32), (0, 0), self.blur_px)
        wide = cv2.GaussianBlur(light.astype(np.float32), (0, 0), self.halo_px) if self.halo else sharp
        return np.asarray(self.gain * ((1.0 - self.halo) * sharp + self.halo * wide) + 0.01, np.float32)

    def noisy(self, light: np.ndarray, rng: np.random.Generator, share: float = 1.0) -> np.ndarray:
        """The light with noise of its root, and with rows that differ in gain; `share` scales both."""
        rough = light + share * self.noise * np.sqrt(self.gain * light) * rng.standard_normal(light.shape, np.float32)
        return np.asarray(rough * (1.0 + share * self.bands * rng.normal(size=(len(light), 1))), np.float32)


@dataclass(frozen=True, kw_only=True)
class Trial:
    """A pair and its truth."""

    reference: Picture
    moving: Picture
    true: Pose


def make_trial(kind: str, seed: int) -> Trial:
    """Return the seeded pair of a kind; see `KINDS`.

    clean: little noise, one device.  noisy: much of it.  mirrored, zoom: what they say.  devices: other sharpness, halo,
    response, vignetting and gain.  bands: rows of uneven gain.  depth: things stand up to half a pixel off their common pose.
    codec: eight frames through a video encoder, devices that differ a little.
    """
    rng = np.random.default_rng(7000 + 100 * KINDS.index(kind) + 10_000 * seed)
    scene = pictures.Scene(int(rng.integers(1 << 31)), size=520.0, blobs=int(rng.integers(350, 900)), finest=1.5)
    one, two = _devices(kind, rng)
    scale = math.exp(rng.uniform(math.log(0.65), math.log(1.5))) if kind == "zoom" else rng.uniform(0.95, 1.05)
    mirrored = kind == "mirrored" or bool(rng.random() < 0.2)
    true = about_middle(scale, float(rng.uniform(-8, 8)), tuple(rng.uniform(-10, 10, 2)), mirrored)
    circles = [
        FieldCircle(cx=SIZE[0] / 2 + rng.uniform(-4, 4), cy=SIZE[1] / 2 + rng.uniform(-4, 4), radius=rng.uniform(158, 168))
        for _ in range(2)
    ]
    nudge = 0.2 * rng.normal(size=scene.place.shape) * (1.0, 0.3) if kind == "depth" else None
    clean = one.clean(scene, Pose(), circles[0]), two.clean(scene, true, circles[1], nudge)
    if kind == "codec":
        pair = [filmed(light, device, rng, seed + k) for k, (light, device) in enumerate(zip(clean, (one, two), strict=True))]
    else:
        pair = []
        for light, device, circle in zip(clean, (one, two), circles, strict=True):
            halves = device.noisy(light, rng), device.noisy(light, rng)
            pair.append(Picture(light=0.5 * (halves[0] + halves[1]), halves=halves, circle=circle))
    return Trial(reference=pair[0], moving=pair[1], true=true)


def pose_pulls(trial: Trial) -> np.ndarray | None:
    """Errors of scale, rotation and both shifts, in 1.96ths of their half intervals; None where the pose was refused."""
    fit, true = fit_pose(trial.reference, trial.moving), trial.true
    if fit.pose is None:
        return None
    found = fit.pose
    gaps = (
        found.scale - true.scale,
        found.rotation_deg - true.rotation_deg,
        found.shift_x - true.shift_x,
        found.shift_y - true.shift_y,
    )
    return np.array(gaps) / (fit.scale_sigma, fit.rotation_sigma_deg, *fit.shift_sigma_px)


def about_middle(scale: float, turn_deg: float, shift: tuple[float, float], mirrored: bool) -> Pose:
    """A pose that turns and scales about the middle of the picture, then shifts."""
    middle = 0.5 * np.array(SIZE)
    place = middle + shift - Pose(scale=scale, rotation_deg=turn_deg, mirrored=mirrored).matrix[:, :2] @ middle
    return Pose(scale=scale, rotation_deg=turn_deg, mirrored=mirrored, shift_x=float(place[0]), shift_y=float(place[1]))


def _devices(kind: str, rng: np.random.Generator) -> tuple[Device, Device]:
    """The devices of a kind."""
    noise = math.exp(rng.uniform(math.log(0.1), math.log(0.5))) if kind == "noisy" else math.exp(rng.uniform(-4.6, -3.2))
    if kind == "devices":
        one, two = (
            Device(
                blur_px=rng.uniform(0.7, 2.0),
                halo=rng.uniform(0.0, 0.3),
                halo_px=rng.uniform(3.0, 12.0),
                fall=rng.uniform(0.0, 0.6),
                bend=rng.uniform(0.0, 0.5),
                gain=rng.uniform(0.2, 1.0),
                noise=noise * rng.uniform(0.5, 3.0),
            )
            for _ in range(2)
        )
        return one, two
    if kind == "codec":
        return (
            Device(blur_px=rng.uniform(0.8, 1.4), noise=rng.uniform(0.02, 0.15), gain=0.3, halo=rng.uniform(0, 0.1)),
            Device(blur_px=rng.uniform(0.8, 1.4), noise=rng.uniform(0.02, 0.15), gain=0.15, halo=rng.uniform(0, 0.1)),
        )
    bands = rng.uniform(0.005, 0.05) if kind == "bands" else 0.0
    return Device(noise=noise, bands=bands), Device(noise=noise, bands=bands)


def filmed(light: np.ndarray, device: Device, rng: np.random.Generator, variant: int, frames: int = 8) -> Picture:
    """What is read of a clip of the light: H.264 in 8 bit or HEVC in 10 bit, of several qualities."""
    from viewer.media import open_clip
    from viewer.tasks.align_view import view_clip

    hevc = variant % 3 == 2
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"clip{variant}.mp4"
        with av.open(str(path), "w") as box:
            stream = box.add_stream("libx265" if hevc else "libx264", rate=30)
            stream.width, stream.height = SIZE
            stream.pix_fmt = "yuv420p10le" if hevc else "yuv420p"
            stream.options = {"crf": str((18, 22, 26)[variant // 3 % 3]), "preset": "veryfast"}
            if hevc:
                stream.options = {**stream.options, "x265-params": "log-level=none:pools=none:frame-threads=1"}
            stream.codec_context.color_range, stream.codec_context.colorspace = 1, 1
            stream.codec_context.color_primaries, stream.codec_context.color_trc = 1, 1
            for number in range(frames):
                picture = _coded(device.noisy(light, rng), 10 if hevc else 8)
                frame = av.VideoFrame.from_ndarray(picture, format=stream.pix_fmt)
                frame.pts, frame.color_range, frame.colorspace = number, 1, 1
                box.mux(stream.encode(frame))
            box.mux(stream.encode(None))
        with open_clip(path) as clip:
            return view_clip(clip).picture


def _coded(light: np.ndarray, bits: int) -> np.ndarray:
    """Grey in the transfer of ITU-R BT.709, narrow range, as planes one under the other (4:2:0)."""
    light = np.maximum(light, 0.0)
    signal = np.where(light < 0.018, 4.5 * light, 1.099 * light**0.45 - 0.099)
    unit = 2 ** (bits - 8)
    kind = np.uint16 if bits > 8 else np.uint8
    luma = np.rint(np.clip(219.0 * signal + 16.0, 1, 254) * unit).astype(kind)
    return np.concatenate([luma, np.full((luma.shape[0] // 2, luma.shape[1]), 128 * unit, kind)])
