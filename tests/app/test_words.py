"""Names, verdicts and numbers as the window writes them."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from viewer.app import i18n
from viewer.app.model.glossary import READINGS, is_main, tip_of, title_of
from viewer.app.model.plot import aligned
from viewer.app.model.verdict_words import ADVICE, short_verdicts, typeset
from viewer.measure.errorbudget import Budget, within_take
from viewer.measure.names import LABELS
from viewer.measure.verdict import Matter, compare, decide_all
from viewer.session.model import StoredVerdict


@pytest.mark.parametrize("name", sorted(LABELS))
def test_every_reading_has_a_title_and_a_tip(name: str) -> None:
    """The tip tells formula and limits; units that a reading is converted to stand behind its title."""
    assert set(READINGS) == set(LABELS)
    assert title_of(name) == LABELS[name] and len(tip_of(name)) >= 20
    for ending, unit in (("_deg", "°"), ("_mrad", "mrad"), ("_mm", "mm")):
        assert title_of(name + ending) == f"{LABELS[name]} ({unit})" and tip_of(name + ending) == tip_of(name)


def test_main_readings_are_said_once() -> None:
    assert is_main("halo_radius") and is_main("halo_radius_deg")
    assert not any(is_main(name) for name in ("halo_radius_mrad", "halo_radius_mm", "core_radius_deg", "nothing"))
    assert tip_of("nothing") == ""


def test_verdicts_below_a_row_leave_out_what_it_says() -> None:
    """Written by the verdicts themselves, so that a change of their sentences shows here."""
    a, b = Budget(0.79, within_take({}, 0.005)), Budget(0.84, within_take({}, 0.003))
    told = decide_all(
        [
            compare("cnr", "sky/trees", "1", ("Heron", a), (second, budget), matter=Matter(0.02, False, ""))
            for second, budget in (("Bittern", b), ("Plover", Budget(0.795, within_take({}, 0.05))))
        ]
    )
    kept = tuple(
        StoredVerdict(request="q", name="cnr", of="sky/trees", first="h", second=ident, word=v.word, sentence=v.sentence)
        for ident, v in zip("bp", told, strict=True)
    )
    one, two, shared = short_verdicts(kept, {"h": "Heron", "b": "Bittern", "p": "Plover"})
    assert re.fullmatch(r"Bittern against Heron: higher by 0\.\d+ \(95.% interval of the difference 0\.\d+ to 0\.\d+\)\.", one)
    assert two.startswith("Plover against Heron: the data decide nothing (95\u00a0% interval of the difference −")
    assert shared.startswith("These units, these takes; 2\u00a0comparisons allowed for. Film each device again")
    assert told[1].sentence.rstrip(".").endswith(ADVICE[0]), "the advice is one that is translated"
    i18n.set_language("de")
    try:
        one, two, shared = short_verdicts(kept, {"h": "Heron", "b": "Bittern", "p": "Plover"})
        assert re.fullmatch(r"Bittern gegen Heron: höher um 0,\d+ \(95‑%‑Intervall des Unterschieds 0,\d+ bis 0,\d+\)\.", one)
        assert two.startswith("Plover gegen Heron: die Daten entscheiden nichts (95") and "Diese Stücke, diese" in shared
        assert not re.search(r"\b(these|the|interval|comparisons)\b", f"{one} {two} {shared}")
    finally:
        i18n.set_language("en")
    odd = replace(kept[0], sentence="Said in another way.")
    assert short_verdicts((odd, kept[1]), {"h": "Heron"}) == ("Said in another way.", typeset(kept[1].sentence))


def test_columns_of_numbers_line_up() -> None:
    assert aligned(np.array([0.48, 11.4717, 0.6])) == ["0.480", "11.472", "0.600"]
    assert aligned(np.array([0.0, 0.04, 0.08])) == ["0.00", "0.04", "0.08"]
    assert aligned(np.array([1.0, math.nan])) == ["1", "–"] and aligned(np.zeros(1)) == ["0"]
