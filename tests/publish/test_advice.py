"""The paragraph on repeats names what the plan of repeats names, and no more."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from viewer.measure.errorbudget import coverage_factor, expected_half_widths
from viewer.publish.advice import repeats_words
from viewer.session.model import Clip, Device, Request, Scene, Session, StoredReading, StoredVerdict, new_session


def open_comparison(half: float, *, word: str = "cannot tell", name: str = "michelson") -> Session:
    """One reading of two devices in one take each, told apart or not."""
    session = new_session().put(
        Device(id="h", name="Heron"),
        Device(id="b", name="Bittern"),
        Scene(id="s", name="Reed bank", kind="edge"),
        Request(id="q", scene="s", measure="contrast"),
        Clip(id="h1", scene="s", device="h"),
        Clip(id="b1", scene="s", device="b"),
    )
    readings = tuple(
        StoredReading(
            id=clip, request="q", clip=clip, name=name, of="sky/wall", value=0.5, unit="1", low=0.5 - half, high=0.5 + half
        )
        for clip in ("h1", "b1")
    )
    verdict = StoredVerdict(
        request="q",
        name=name,
        of="sky/wall",
        first="h",
        second="b",
        word=word,
        sentence="",
        difference=0.0,
        low=-half,
        high=half,
    )
    return replace(session, readings=readings, verdicts=(verdict,))


def test_names_the_takes_that_settle_it() -> None:
    # Half of what matters for Michelson contrast is 0.025; with as much spread between takes as within one, sigma is
    # sqrt(2) times that of the take, and n takes leave t(n - 1) c4 sigma / sqrt(n) (expected_half_widths).
    half = 0.02
    sigma = half / coverage_factor(math.inf)
    need = next(n for n, width in expected_half_widths(sigma, sigma).items() if n > 1 and width <= 0.025)
    said = repeats_words(open_comparison(half))
    assert said.startswith("2 readings in open comparisons are too wide to tell.")
    assert f"Reed bank, Heron {need} takes (now 1), Bittern {need} takes (now 1), settling about 2 (Michelson contrast)" in said
    assert "out of reach" not in said
    assert "Where there is one take" in said


def test_says_what_no_repeats_would_settle() -> None:
    said = repeats_words(open_comparison(0.4))
    assert "Filming again" not in said
    assert "2 of them are out of reach of 6 takes" in said


@pytest.mark.parametrize(("word", "name"), [("differs", "michelson"), ("cannot tell", "modulation")])
def test_is_silent_where_nothing_that_carries_the_report_is_open(word: str, name: str) -> None:
    assert repeats_words(open_comparison(0.02, word=word, name=name)) == ""
