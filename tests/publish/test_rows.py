"""Which readings stand under a picture, and which letters stand on it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from viewer.publish import rows, story
from viewer.publish.compared import moment_words, told_verdicts, verdict_table
from viewer.publish.panewords import _fitting, _packed
from viewer.publish.text import width
from viewer.publish.words import value_words
from viewer.session.model import LightLevel, Region, Request, Session, StoredReading, StoredVerdict

Sample = tuple[Session, Path]


def reading(request: str, clip: str, name: str, of: str, value: float | None = 1.0) -> StoredReading:
    state = "measured" if value is not None else "refused"
    return StoredReading(
        id=f"{clip}-{name}-{of}", request=request, clip=clip, name=name, of=of, value=value, unit="1", state=state
    )  # type: ignore[arg-type]


@pytest.fixture
def chart(sample: Sample) -> Session:
    """Thirty targets of bars, and a figure marked at three moments."""
    session, _ = sample
    bars = tuple(
        Region(id=f"r-bar-{n}", scene="s-lamps", kind="bars", name=f"{n}/v", geometry=(20.0 + 5 * n, 40.0, 4.0, 4.0))
        for n in range(30)
    )
    marked = tuple(
        Region(
            id=f"r-fig-{n}",
            scene="s-lamps",
            kind="rect",
            name=f"at {n}",
            geometry=(50.0 + 20 * n, 90.0, 9.0, 20.0),
            settings={"time_s": float(n)},
        )
        for n in range(3)
    )
    requests = (
        Request(id="q-bars", scene="s-lamps", measure="bars", regions={"target": tuple(r.id for r in bars)}),
        Request(id="q-figure", scene="s-lamps", measure="figure", regions={"figure": tuple(r.id for r in marked)}),
        Request(id="q-flicker", scene="s-lamps", measure="flicker"),
    )
    clips = ("c-lamps-heron", "c-lamps-bittern")
    readings = [reading("q-bars", clip, "limiting_resolution", "all frames") for clip in clips]
    readings += [reading("q-figure", clip, "contrast", f"figure-{n + 1}", 0.1 * n) for clip in clips for n in range(3)]
    readings += [reading("q-flicker", clip, "modulation_frequency", "field", 100.0) for clip in clips]
    readings += [reading("q-flicker", clips[1], "modulation_frequency", "field/line-2", 172.0)]
    return replace(session, regions=(*bars, *marked), requests=requests, readings=tuple(readings))


def test_many_targets_share_one_letter_and_one_outline(chart: Session) -> None:
    bars, figure = rows.marks(chart, "s-lamps")
    assert bars.letter == "A" and len(bars.regions) == 30 and not bars.timed
    assert figure.letter == "B" and figure.timed and figure.at(1.4) == 1 and figure.at(99.0) == 2
    assert set(rows.letters(chart, "s-lamps").values()) == {"A", "B"}


def test_a_moment_shows_its_own_mark_and_no_other(chart: Session) -> None:
    for time_s, place in ((0.2, 1), (1.1, 2), (1.9, 3)):
        (line,) = [row for row in rows.rows(chart, "s-lamps", most=9, time_s=time_s) if row.request == "q-figure"]
        assert line.of == f"figure-{place}" and line.letters == "B" and line.label == "Figure contrast"


def test_second_line_of_light_is_none_found_where_it_was_looked_for(chart: Session) -> None:
    lines = [row for row in rows.rows(chart, "s-lamps", most=9) if row.request == "q-flicker"]
    assert [row.label for row in lines] == ["Modulation frequency", "Modulation frequency line 2"]
    assert rows.missing_words(chart, lines[1], "c-lamps-heron") == "none found"
    assert rows.missing_words(chart, lines[1], "c-lamps-plover") == "not measured"


def test_lines_of_light_stand_beside_what_comes_from_the_same_place(chart: Session) -> None:
    gate, scene = ("from the device",), ("from the scene",)
    of, name = "field", "modulation_frequency"
    heron, bittern = "c-lamps-heron", "c-lamps-bittern"
    fresh = [
        replace(reading("q-flicker", heron, name, of, 238.0), flags=scene),
        replace(reading("q-flicker", bittern, name, of, 172.0), flags=gate),
        replace(reading("q-flicker", bittern, name, f"{of}/line-2", 238.0), flags=scene),
    ]
    session = replace(chart, readings=tuple(fresh))
    gates, light = [row for row in rows.rows(session, "s-lamps", most=9) if row.request == "q-flicker"]
    assert (gates.short, light.short) == ("Modulation of the gate", "Modulation of the scene")
    assert [getattr(rows.cell_of(session, gates, clip), "value", None) for clip in (heron, bittern)] == [None, 172.0]
    assert [getattr(rows.cell_of(session, light, clip), "value", None) for clip in (heron, bittern)] == [238.0, 238.0]
    assert rows.missing_words(session, gates, heron) == "none found"


def test_the_table_names_whose_line_of_light_it_is(chart: Session) -> None:
    own, light = "(the device's own gate)", "(the scene's own light)"
    sentences = {
        ("field", "d-heron"): (
            "cannot tell",
            f"Modulation frequency of field {own}: Bittern 172 Hz; Heron: nothing to compare.",
        ),
        ("field/line-2", "d-heron"): ("differs", f"Modulation frequency of field {light}: Bittern 238 Hz, Heron 239 Hz."),
    }
    verdicts = tuple(
        StoredVerdict(
            request="q-flicker", name="modulation_frequency", of=of, first=first, second="d-bittern", word=word, sentence=text,
            **({"difference": -1.0, "low": -1.2, "high": -0.8} if word == "differs" else {}),
        )
        for (of, first), (word, text) in sentences.items()
    )  # fmt: skip
    gate, scene = verdict_table(replace(chart, verdicts=verdicts), "s-lamps")["rows"]
    assert (gate["of"], scene["of"]) == ("field, the device's own gate", "field, the scene's own light")
    assert gate["cells"][0]["rest"] == "only one shows it"
    assert scene["cells"][0]["value"] == "−1.00"


def test_a_ramp_does_not_repeat_what_is_measured_beside_it(chart: Session) -> None:
    requests = [Request(id=f"q-{kind}", scene="s-lamps", measure=kind) for kind in ("contrast", "ramp")]  # type: ignore[arg-type]
    readings = [reading(request.id, "c-lamps-heron", "michelson", "a/b") for request in requests]
    session = replace(chart, requests=tuple(requests), readings=tuple(readings))
    assert [row.request for row in rows.rows(session, "s-lamps", most=9, wanted="michelson")] == ["q-contrast"]
    alone = replace(session, requests=tuple(requests[1:]))
    assert [row.request for row in rows.rows(alone, "s-lamps", most=9, wanted="michelson")] == ["q-ramp"]


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [(12.0, None, "at least 12.0"), (None, 12.0, "at most 12.0"), (11.0, 30.0, "at least 12.0"), (2.0, 12.5, "at most 12.0")],
)
def test_a_bound_says_on_which_side_the_truth_lies(low: float | None, high: float | None, said: str) -> None:
    bound = replace(reading("q", "c", "snr", "sky", 12.0), low=low, high=high, state="limit")
    assert value_words(bound)[0] == said


def test_a_narrow_column_keeps_the_value_inside() -> None:
    wide = replace(reading("q", "c", "bloom_radius", "lamp", 24.92), unit="px", low=24.5, high=25.99, flags=("clipped",))
    em = 24.0

    def room(words: str) -> float:
        return width("24.92", 1.1 * em, "bold") + 0.3 * em + width(words, em) + 0.01

    full, bare, none = "(24.50 to 25.99) px *", "(24.50 to 25.99) *", "px *"
    assert _fitting(wide, room(full), em) == ("24.92", full, True)
    assert _fitting(wide, room(full) - 1.0, em) == ("24.92", bare, False), "the unit goes to the label"
    assert _fitting(wide, room(bare) - 1.0, em) == ("24.92", none, True), "the interval stands in the report"


def test_only_regions_with_a_reading_in_sight_are_drawn(chart: Session) -> None:
    lines = rows.rows(chart, "s-lamps", most=1, wanted="limiting_resolution")
    assert [mark.letter for mark in rows.shown_marks(chart, "s-lamps", lines)] == ["A"]
    assert rows.shown_marks(chart, "s-lamps", []) == []


def test_packed_words_fit_and_count_what_is_left_out() -> None:
    items = [f"item number {n}" for n in range(9)]
    for most in (1, 2, 3):
        lines = _packed(items, 400.0, 20.0, most=most)
        assert len(lines) <= most and all(width(line, 20.0) <= 400.0 for line in lines)
        shown = sum(line.count("item number") for line in lines)
        assert f"+{9 - shown} in the report" in lines[-1]
    assert _packed(items[:2], 4000.0, 20.0, most=1) == ["item number 0 · item number 1"]


def test_verdicts_as_a_table_say_what_their_sentences_say(sample: Sample) -> None:
    session, _ = sample
    told = verdict_table(session, "s-lamps")
    assert told["columns"] == ["Bittern − Heron", "Plover − Heron", "Plover − Bittern"]
    for verdict in session.verdicts:
        cells = [cell for row in told["rows"] for cell in row["cells"] if cell["word"] == verdict.word and cell["value"]]
        assert len(cells) == 1, verdict
        assert float(cells[0]["value"].replace("−", "-")) == pytest.approx(verdict.difference, abs=0.005)
    short = told_verdicts(session, "s-lamps", most=5)
    assert short[0] == "Halo radius, lamp: Plover higher than Heron by 2.00 (95 %: 1.70 to 2.30 reference px)"
    assert short[1].startswith("Michelson contrast, sill/water: Bittern and Heron: cannot tell (95 %: −0.045 to 0.005")


def test_every_measure_speaks_once_before_any_speaks_twice(sample: Sample) -> None:
    session, _ = sample
    bloom, contrast = session.verdicts
    session = replace(session, verdicts=(bloom, replace(bloom, first="d-bittern"), contrast))
    told = told_verdicts(session, "s-lamps", most=2)
    assert [line.split(",")[0] for line in told] == ["Halo radius", "Michelson contrast"]


def test_requests_are_told_apart_by_their_light_level(sample: Sample) -> None:
    session, _ = sample
    levels = (LightLevel(value=1.0, start_s=0.0, end_s=0.4), LightLevel(value=0.1, start_s=0.4, end_s=0.96))
    scene = replace(session.scene("s-lamps"), levels=levels)
    early, late = (replace(session.request("q-contrast"), id=f"q-{n}", first_s=n, last_s=n + 0.3) for n in (0.05, 0.5))
    session = session.put(scene, early, late)
    assert [moment_words(session, request) for request in (early, late)] == ["1 mfL", "0.1 mfL"]
    plain = replace(session, scenes=(replace(scene, levels=()),))
    assert moment_words(plain, early) == "0.05 to 0.35 s"


def test_summary_tells_more_than_differences(sample: Sample) -> None:
    session, _ = sample
    first = session.verdicts[0]
    verdicts = [replace(first, of=f"lamp {n}", word="differs", sentence=f"differs {n}") for n in range(20)]
    verdicts += [replace(first, of=f"lamp {n}", word="cannot tell", sentence=f"open {n}") for n in range(20, 24)]
    told = story.summary(replace(session, verdicts=tuple(verdicts)), most=6)
    assert [item["sentence"] for item in told] == ["differs 0", "differs 1", "differs 2", "open 20", "open 21", "open 22"]
    counts = story.verdict_counts(replace(session, verdicts=tuple(verdicts)))
    assert "24 pairs" in counts and "20 differ" in counts and "4 cannot be told" in counts
