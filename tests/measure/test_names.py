"""Every reading that a measure can make has its words: a plain name, a meaning for print, a tip with formula and limits."""

from __future__ import annotations

import ast
from pathlib import Path

from viewer.measure import bloom, contrast, edge, figure, names, noise, readings, sheet
from viewer.publish import words
from viewer.tasks import bloom_words

ROOT = Path(names.__file__).resolve().parents[1]
MAKERS = {"reading", "refusal", "refused", "Reading"}
# Where the name stands in a variable: file -> what it can be.
ALIGNED = ("offset", "rate", "scale", "rotation", "shift_x", "shift_y")
BY_VARIABLE: dict[str, tuple[str, ...]] = {
    "measure/bars_words.py": ("limiting_resolution", "limiting_resolution_single_frame"),
    "measure/bloom.py": bloom.NAMES,
    "measure/contrast.py": contrast.NAMES,
    "measure/edge.py": tuple(edge.UNITS),
    "measure/figure.py": figure.NAMES,
    "measure/flash.py": ("flashes_per_second", "red_flashes_per_second", "area"),
    "measure/noise.py": noise.NAMES,
    "measure/tint.py": ("u_prime", "v_prime"),
    "tasks/align_document.py": ALIGNED,
    "tasks/bloom.py": bloom.NAMES,
    "tasks/bloom_words.py": tuple(f"{name}_{unit}" for name in bloom_words.RADII for unit in ("deg", "mrad", "mm")),
    "tasks/field.py": ("centre_x", "centre_y", "radius", "edge_light", "light_tilt"),
    "tasks/flicker_document.py": ("modulation_frequency", "modulation_depth", "flicker_index", "alias_frequency"),
    "tasks/readout.py": ("readout_time", "row_time"),
}
# They pass on names that others gave; the data-sheet desk has its own words (`sheet.QUANTITIES`).
PASS_ON = {"measure/patches.py", "measure/readings.py", "tasks/summary.py", "tasks/sheet.py"}


def _name_of(call: ast.Call) -> ast.expr | None:
    """Return the expression that names a reading in a call that makes one; None for other calls."""
    func = call.func
    known = func.attr if isinstance(func, ast.Attribute) else func.id if isinstance(func, ast.Name) else ""
    if known not in MAKERS:
        return None
    named = next((k.value for k in call.keywords if k.arg == "name"), None)
    return named or (call.args[0] if len(call.args) > 1 else None)


def names_made() -> dict[str, set[str]]:
    """Return file -> names of readings that it makes, read from the code; '?' where a variable holds the name."""
    found: dict[str, set[str]] = {}
    for room in ("measure", "tasks", "align"):
        for path in sorted((ROOT / room).glob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                name = _name_of(node) if isinstance(node, ast.Call) else None
                if name is not None:
                    text = name.value if isinstance(name, ast.Constant) and isinstance(name.value, str) else "?"
                    found.setdefault(path.relative_to(ROOT).as_posix(), set()).add(text)
    return found


def test_names_are_found_in_the_code() -> None:
    made = names_made()
    assert {"cnr", "weber"} <= made["measure/contrast.py"] and "settling_time" in made["tasks/ramp.py"]
    assert {file for file, texts in made.items() if "?" in texts} <= set(BY_VARIABLE) | PASS_ON


def test_every_reading_has_its_words() -> None:
    made = {text for texts in names_made().values() for text in texts - {"?"}}
    made |= {name for held in BY_VARIABLE.values() for name in held}
    for name in sorted(made):
        assert names.base_of(name) in names.LABELS, name
        assert words.label(name) == names.LABELS[names.base_of(name)]
        if name not in ALIGNED and name not in BY_VARIABLE["measure/flash.py"]:  # these are not printed as readings
            assert words.QUANTITIES[names.base_of(name)].meaning, name


def test_labels_are_words_for_people() -> None:
    assert names.label_of("cnr") == "Contrast-to-noise" and names.label_of("halo_radius_mrad") == "Halo radius"
    assert names.label_of("mtf_at_0.2") == "MTF at 0.2 cycles/px" and names.label_of("glow_mm") == "Glow mm"
    for name, label in names.LABELS.items():
        assert label[:1].isupper() or label in ("u′", "v′"), name
        assert "_" not in label and len(label) <= 34, name
    assert len(set(names.LABELS.values())) == len(names.LABELS)
    assert set(words.QUANTITIES) <= set(names.LABELS)
    assert readings.FLAG_WORDS and sheet.QUANTITIES
