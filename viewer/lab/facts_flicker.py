"""True values of pulsing light."""

from __future__ import annotations

import numpy as np

from viewer.lab.facts import Facts, Regions, value
from viewer.lab.render import Renderer
from viewer.lab.waves import Pulse

SLOW_S = 0.005


def flicker_facts(renderer: Renderer, regions: Regions) -> Facts:
    """Return every modulation in each region and over the field: rate by the clip's own clock, depth, what the shutter leaves.

    A source's depth counts in a region by the share of light that it sends there, scattered light included.
    """
    take = renderer.take
    pulses = [(n, layer.pulse) for n, layer in enumerate(take.scene.layers) if layer.pulse]
    gate = take.tube.gate if take.tube is not None else None
    if not pulses and gate is None:
        return []
    x0, y0 = renderer.origin
    places = {"field": (slice(None), slice(None))}
    # a slow shutter leaves so little of a pulse that single regions are of no use
    fast = take.camera.exposure_s < SLOW_S
    for name, entry in regions.items():
        if entry["kind"] == "rect" and fast:
            x, y, w, h = entry["rect"]
            places[name] = (slice(y - y0, y - y0 + h), slice(x - x0, x - x0 + w))
    facts: Facts = []
    weight = renderer.stop * renderer.pattern
    for name, where in places.items():
        light = [float((layer * weight)[where].sum()) for layer in renderer.layers]
        for n, pulse in pulses:
            facts += _pulse_facts(renderer, pulse, f"{name}#source", light[n] / sum(light), "source")
        if gate is not None:
            facts += _pulse_facts(renderer, gate, f"{name}#tube", 1.0, "tube")
    return facts


def _pulse_facts(renderer: Renderer, pulse: Pulse, of: str, share: float, origin: str) -> Facts:
    """Return the facts of one pulse that carries a share of a region's light, the rest being steady."""
    take = renderer.take
    hertz = pulse.rate_hz * (1 + 1e-6 * take.clock.rate_ppm)
    frame = float(take.camera.rate)
    wave = 1 + share * (pulse.shape() - 1)
    depth = 100 * (wave.max() - wave.min()) / (wave.max() + wave.min())
    index = float(np.clip(wave - 1, 0, None).mean())
    more = {"origin": origin, "note": f"{100 * share:.4g} % of the light pulses"}
    return [
        value("flicker", "modulation_frequency", of, hertz, "Hz", **more),
        value("flicker", "alias_frequency", of, abs(hertz - round(hertz / frame) * frame), "Hz", **more),
        value("flicker", "modulation_depth", of, depth, "%", **more),
        value("flicker", "flicker_index", of, index, "1", **more),
        value("flicker", "fundamental", of, share * pulse.fundamental(), "1", **more),
        value("flicker", "fundamental_recorded", of, share * pulse.fundamental(take.camera.exposure_s), "1", **more),
    ]


__all__ = ["flicker_facts"]
