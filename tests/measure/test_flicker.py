"""The whole measure on row light with known truth."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from viewer.measure.flicker import Analysis, Clip, analyse


def _made() -> ModuleType:
    """Load the maker of row light that lies beside this file."""
    name = "flicker_rows_made"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("flicker_rows_made.py"))
        assert spec is not None and spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


made = _made()


def look(scene: object, *, known: bool = True, **more: object) -> Analysis:
    """Analyse a made clip with its own readout and exposure."""
    clip = Clip(
        rows=made.make_rows(scene),
        readout_s=scene.readout_s if known else None,  # type: ignore[attr-defined]
        exposure_s=scene.exposure_s,  # type: ignore[attr-defined]
    )
    return analyse(clip, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("hz", "fps", "readout_s"),
    [
        (37.2, 23.976023976, 0.0155),
        (83.7, 60.0, 0.014),
        (143.0, 59.94005994, 0.016),
        (487.3, 50.0, 0.0095),
        (1100.7, 29.97002997, 0.014),
        (2399.1, 119.88011988, 0.0075),
        (720.4, 60.0, 0.014),
    ],
)
def test_frequency_and_depth(hz: float, fps: float, readout_s: float) -> None:
    exposure = min(1 / 1000, 0.3 / hz)
    gate = made.Gate(hz, 0.2)
    scene = made.Scene(fps=fps, readout_s=readout_s, exposure_s=exposure, tube=gate, codec=0.002, drift=0.02)
    analysis = look(scene)
    strongest = analysis.strongest
    assert analysis.word == "modulated" and strongest is not None and strongest.frequency_hz is not None
    assert strongest.frequency_hz == pytest.approx(hz, abs=1e-3)
    assert strongest.recorded == pytest.approx(gate.fundamental(exposure), rel=0.03)
    assert strongest.waveform.depth_percent == pytest.approx(100 * 0.2 / 1.8, rel=0.1)
    assert strongest.origin == "tube"
    assert len(analysis.modulations) == 1
