"""From scene, device and camera to frames, one after another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from viewer.cv import cv2
from viewer.lab.camera import Camera, tint_of
from viewer.lab.optics import Lens, Spread
from viewer.lab.scene import Scene
from viewer.lab.tube import Tube, blur, field_stop
from viewer.lab.view import View
from viewer.lab.waves import Trace, follow

TRACE_STEP_S = 1e-3
MARGIN_PX = 10


@dataclass(frozen=True)
class Clock:
    """Clip time -> scene time: ``offset_s + (1 + rate_ppm / 1e6) clip``."""

    offset_s: float = 0.0
    rate_ppm: float = 0.0

    def scene(self, clip_s: np.ndarray | float) -> np.ndarray:
        """Return scene time (s) of clip time (s)."""
        return np.asarray(self.offset_s + (1 + 1e-6 * self.rate_ppm) * np.asarray(clip_s))


@dataclass(frozen=True)
class Take:
    """One recording: what, through which device (None: the camera alone), how, from when."""

    scene: Scene
    tube: Tube | None
    camera: Camera
    view: View
    frames: int
    seed: int
    clock: Clock = Clock()
    full_light: float = 1.0
    capped: bool = False

    @property
    def duration_s(self) -> float:
        """Length of the clip."""
        return float(self.frames / self.camera.rate)


class Renderer:
    """Renders one take.  Light inside is in photoelectrons a pixel and exposure; outside it is 1.0 for the full curve.

    `full_light` is the scene luminance (in the scene's units, gain at rest, level 1) that fills the camera's curve.
    """

    def __init__(self, take: Take) -> None:
        self.take = take
        view = take.view
        if take.tube is None:
            self.origin, self.shape = (0, 0), (view.height, view.width)
        else:
            radius = take.tube.field_deg / 2 * view.px_per_degree
            low = np.maximum(np.floor(np.asarray(view.centre) - radius - MARGIN_PX).astype(int), 0)
            high = np.ceil(np.asarray(view.centre) + radius + MARGIN_PX).astype(int)
            high = np.minimum(high, [view.width - 1, view.height - 1])
            self.origin = (int(low[0]), int(low[1]))
            self.shape = (int(high[1] - low[1] + 1), int(high[0] - low[0] + 1))
        self.rng = np.random.default_rng([take.seed, 7])
        self.light = np.zeros((view.height, view.width), np.float32)

    @cached_property
    def centre(self) -> tuple[float, float]:
        """Middle of the field circle in the window."""
        return self.take.view.centre[0] - self.origin[0], self.take.view.centre[1] - self.origin[1]

    @cached_property
    def radius_px(self) -> float:
        """Radius of the field circle."""
        tube = self.take.tube
        return tube.field_deg / 2 * self.take.view.px_per_degree if tube else 0.0

    @cached_property
    def stop(self) -> np.ndarray:
        """Transmission of the eyepiece's field stop."""
        tube = self.take.tube
        if tube is None:
            return np.ones(self.shape, np.float32)
        return field_stop(self.shape, self.centre, self.radius_px, softness_px=1.1, vignette=tube.vignette)

    @cached_property
    def inside(self) -> np.ndarray:
        """Where the cathode lies."""
        y, x = np.ogrid[: self.shape[0], : self.shape[1]]
        return np.asarray(np.hypot(x - self.centre[0], y - self.centre[1]) < self.radius_px + 5)

    @cached_property
    def lens(self) -> Lens:
        """The spread between scene and cathode current."""
        tube, scale = self.take.tube, self.take.view.px_per_degree
        return Lens(tube.spread(scale) if tube else Spread(sigma_px=0.6), self.shape)

    @cached_property
    def sheets(self) -> list[np.ndarray]:
        """Each layer's light over the window, in scene units, before any spread."""
        size = (self.shape[1], self.shape[0])
        take = self.take
        return [take.view.picture(layer.canvas, origin=self.origin, size=size) for layer in take.scene.layers]

    @cached_property
    def layers(self) -> list[np.ndarray]:
        """Each layer's light after the spread, in scene units."""
        limit = self.inside if self.take.tube else np.ones(self.shape, bool)
        return [self.lens.apply(sheet * limit) for sheet in self.sheets]

    @cached_property
    def electrons_per_unit(self) -> float:
        """Photoelectrons of one pixel in one exposure for one scene unit at level 1."""
        tube, take = self.take.tube, self.take
        if tube is None:
            return 1.0
        lux = tube.cathode_lx(take.scene.unit_cd_m2)
        return float(tube.electrons(lux, take.view.px_per_degree, take.camera.exposure_s))

    @cached_property
    def ebi_electrons(self) -> float:
        """Photoelectrons of the background illumination."""
        tube, take = self.take.tube, self.take
        if tube is None:
            return 0.0
        return float(tube.electrons(tube.ebi_lx, take.view.px_per_degree, take.camera.exposure_s))

    @cached_property
    def pattern(self) -> np.ndarray:
        """The tube's fixed pattern over the window, turned and mirrored with the picture."""
        tube, view = self.take.tube, self.take.view
        if tube is None:
            return np.ones(self.shape, np.float32)
        size = int(2 * self.radius_px + 2 * MARGIN_PX) | 1
        flat = tube.pattern((size, size), view.px_per_degree)
        a = np.radians(view.rotation_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) @ np.diag([-1.0 if view.mirrored else 1.0, 1.0])
        matrix = np.column_stack([turn, np.asarray(self.centre) - turn @ np.full(2, (size - 1) / 2)])
        return np.asarray(
            cv2.warpAffine(flat, matrix, (self.shape[1], self.shape[0]), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        )

    @cached_property
    def _traces(self) -> tuple[Trace, Trace]:
        """Light level and gain over scene time."""
        take = self.take
        start = float(take.clock.scene(0.0)) - 2.0
        count = int((take.duration_s + 4.0) / TRACE_STEP_S)
        times = start + TRACE_STEP_S * (np.arange(count) + 0.5)
        level = take.scene.level.at(times)
        if take.tube is None:
            return Trace(start, TRACE_STEP_S, level), Trace(start, TRACE_STEP_S, np.ones(count))
        mean = sum(float(layer[self.inside].mean()) for layer in self.layers)
        lux = np.asarray(take.tube.cathode_lx(mean * take.scene.unit_cd_m2)) * level
        gain = follow(take.tube.gain(lux), TRACE_STEP_S, take.tube.settle_s)
        return Trace(start, TRACE_STEP_S, level), Trace(start, TRACE_STEP_S, gain)

    def level_at(self, scene_s: float) -> float:
        """Return the light level at a scene time."""
        return float(self._traces[0].at(scene_s))

    def gain_at(self, scene_s: float) -> float:
        """Return the gain at a scene time."""
        return float(self._traces[1].at(scene_s))

    def rows(self, number: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[np.ndarray]]:
        """Return per row of the window: light level, gain, gate, and each layer's pulse, for a frame."""
        take = self.take
        starts = take.clock.scene(take.camera.row_starts(number, take.view.height))
        starts = starts[self.origin[1] : self.origin[1] + self.shape[0]]
        exposure = take.camera.exposure_s
        level, gain = (trace.exposed(starts, exposure) for trace in self._traces)
        gate = take.tube.gate.exposed(starts, exposure) if take.tube and take.tube.gate else np.ones_like(starts)
        pulses = [layer.pulse.exposed(starts, exposure) if layer.pulse else np.ones_like(starts) for layer in take.scene.layers]
        return level, gain, gate, pulses

    def scene_light(self, number: int, pulses: list[np.ndarray] | None = None) -> np.ndarray:
        """Return the light on the cathode in scene units at level 1, figure included."""
        take = self.take
        total = np.zeros(self.shape, np.float32)
        layers = list(self.layers)
        if take.scene.moving is not None:
            layers[0] = self._with_figure(number)
        for n, layer in enumerate(layers):
            total += layer if pulses is None else layer * pulses[n][:, None].astype(np.float32)
        return total

    def _with_figure(self, number: int) -> np.ndarray:
        """Return the first layer with the figure where it is in the middle of the frame's exposure."""
        take = self.take
        middle = float(number / take.camera.rate) + 0.5 * (take.camera.exposure_s + take.camera.readout_s)
        assert take.scene.moving is not None
        patch = take.scene.moving(float(take.clock.scene(middle)))
        canvas = take.scene.layers[0].canvas
        window, where = take.view.patch(canvas, patch, self.origin, (self.shape[1], self.shape[0]))
        sheet = self.sheets[0].copy()
        sheet[where] = window
        return self.lens.apply(sheet * self.inside)

    def expected(self, number: int, *, pulsing: bool = True) -> np.ndarray:
        """Return the light that reaches the camera over the window, free of temporal noise, 1.0 filling the curve.

        Without `pulsing`, gates and backlights stand at their means: what an average over many beats sees.
        """
        take = self.take
        level, gain, gate, pulses = self.rows(number)
        light = self.scene_light(number, pulses if pulsing else None) * level[:, None].astype(np.float32)
        if take.capped:
            light = np.zeros_like(light)
        if take.tube is None:
            return light / np.float32(take.full_light)
        electrons = light * np.float32(self.electrons_per_unit) + np.float32(self.ebi_electrons)
        if pulsing:
            electrons = electrons * gate[:, None].astype(np.float32)
        return self.finish(blur(electrons, self.spot_px), gain)

    @property
    def spot_px(self) -> float:
        """Sigma of the phosphor's spot and the eyepiece."""
        tube = self.take.tube
        return tube.spot_sigma_deg * self.take.view.px_per_degree if tube else 0.0

    def finish(self, glow: np.ndarray, gain: np.ndarray) -> np.ndarray:
        """Return the light behind the eyepiece of a cathode current (electrons) and the gain of each row."""
        scale = (gain / (self.electrons_per_unit * self.take.full_light)).astype(np.float32)
        return np.asarray(glow * scale[:, None] * self.pattern * self.stop, np.float32)

    def recorded(self, number: int, *, pulsing: bool = True) -> np.ndarray:
        """Return the expected light as the camera records it, pedestal left out: lens and sharpening applied."""
        camera = self.take.camera
        return camera.sharpen(blur(self.expected(number, pulsing=pulsing), camera.lens_sigma_px))

    def frame(self, number: int) -> np.ndarray:
        """Return R'G'B' of the whole upright picture, float32 of shape (h, w, 3).  Call in order: the noise is one stream."""
        take = self.take
        level, gain, gate, pulses = self.rows(number)
        light = self.scene_light(number, pulses) * level[:, None].astype(np.float32)
        if take.capped:
            light = np.zeros_like(light)
        if take.tube is None:
            window = light / np.float32(take.full_light)
        else:
            electrons = light * np.float32(self.electrons_per_unit) + np.float32(self.ebi_electrons)
            electrons *= gate[:, None].astype(np.float32)
            events = take.tube.sample(electrons, self.rng, spot_sigma_px=self.spot_px, inside=self.inside)
            window = self.finish(events, gain)
        picture = np.zeros((take.view.height, take.view.width), np.float32)
        x, y = self.origin
        picture[y : y + self.shape[0], x : x + self.shape[1]] = window
        self.light = take.camera.expose(picture, self.rng)
        return take.camera.signal(self.light, self.tint)

    @cached_property
    def tint(self) -> np.ndarray:
        """Linear R, G, B of luminance 1."""
        xy = self.take.tube.phosphor_xy if self.take.tube else (0.3127, 0.3290)
        return tint_of(xy, self.take.camera.primaries)

    def frames(self) -> Iterator[np.ndarray]:
        """Yield the frames in order."""
        for number in range(self.take.frames):
            yield self.frame(number)


__all__ = ["Clock", "Renderer", "Take"]
