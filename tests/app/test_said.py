"""What the rooms below the window say, told again in German."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest

from tests.app.templates import ELSEWHERE, ROOT, templates
from viewer.app import i18n
from viewer.app.said import error_said, said
from viewer.errors import FileError, MediaError
from viewer.measure.errorbudget import Budget, within_take
from viewer.measure.flicker_compare import Rate, compare_rates
from viewer.measure.names import LABELS
from viewer.measure.readings import FLAG_WORDS
from viewer.measure.sheet import parse_figure, read_sheet
from viewer.measure.verdict import Matter, compare, decide_all, no_answer
from viewer.resources import resource

BLANK = re.compile(r"\{\d+\}")
# Words that no German sentence holds.
ENGLISH = re.compile(
    r"\b(the|of|is|are|not|with|from|film|this|that|and|or|than|by|to|at|for|one|light|but|no|its|level|frames?|units?|takes?)\b"
)


@pytest.fixture(autouse=True)
def german() -> Iterator[None]:
    i18n.set_language("de")
    yield
    i18n.set_language("en")


def catalogue() -> dict[str, str]:
    told: dict[str, str] = json.loads(resource("i18n/de.rooms.json").read_text(encoding="utf-8"))
    return told


def test_every_sentence_of_the_rooms_has_a_german_one() -> None:
    """The source is read: a new reason, flag, warning or error without a translation shows here, with its place."""
    told = catalogue()
    named = {*LABELS.values(), *(text for pair in FLAG_WORDS.values() for text in pair)}  # these stand in de.json
    missing = {text: place for text, place in templates().items() if text not in told and text not in named}
    assert not missing
    assert all((ROOT / name).exists() for name in ELSEWHERE)


def test_translations_keep_their_blanks_and_are_not_english() -> None:
    for text, told in catalogue().items():
        assert sorted(BLANK.findall(text)) == sorted(BLANK.findall(told)), text
        plain = re.sub(r"--[a-z-]+|\(gloaming \w+\)|[a-z]+\.\{\d\}", "", told)
        assert not ENGLISH.search(plain), told


def standing_alone() -> list[tuple[str, str]]:
    """Return the sentences with words enough to be known without others around."""
    return [(text, told) for text, told in sorted(catalogue().items()) if len(BLANK.sub("", text).strip(" :;,.()")) >= 4]


@pytest.mark.parametrize(("text", "told"), standing_alone())
def test_filled_sentences_are_found_again(text: str, told: str) -> None:
    """Blanks that touch could be cut elsewhere; all others must come out exactly."""
    values = {n: f"Q{n}X" for n in range(1, 10)}

    def fill(words: str) -> str:
        return re.sub(r"\{(\d+)\}", lambda blank: values[int(blank[1])], words).replace("{{", "{").replace("}}", "}")

    if i18n.known(text) not in (None, told):
        return  # the window has its own word where it stands alone
    out = said(fill(text))
    if re.search(r"\}\{", text):
        assert all(values[int(n)] in out for n in re.findall(r"\{(\d)\}", text))
        assert not ENGLISH.search(re.sub(r"--[a-z-]+|\(gloaming \w+\)", "", out))
    else:
        assert out == fill(told)


def test_numbers_and_names_are_kept() -> None:
    assert said("A bar is 1.1 px wide, under 1.2: the camera decides. Film closer.") == (
        "Ein Balken ist 1,1 px breit, unter 1,2: Hier entscheidet die Kamera. Filmen Sie aus geringerem Abstand."
    )
    assert said("Something nobody foresaw at 2.50 m in take 1.2.mp4") == "Something nobody foresaw at 2,50 m in take 1.2.mp4"
    assert said("") == "" and said(None) == ""
    i18n.set_language("en")
    assert said("no light") == "no light"


def test_verdicts_are_told_in_german() -> None:
    """Written by the verdicts themselves, with names of regions that are words of the program too."""
    a, b, wide = (Budget(v, within_take({}, s)) for v, s in ((0.79, 0.005), (0.84, 0.003), (0.8, 0.05)))
    same = Budget(0.7902, within_take({}, 0.0001))
    exact = Budget(0.79, within_take({}, 0.0001))
    pairs = [(a, b), (b, a), (a, wide), (exact, same)]
    where = "sky at the gable/wall"
    made = decide_all(
        [compare("cnr", where, "1", ("Heron", x), ("Bittern", y), matter=Matter(0.02, False, "")) for x, y in pairs]
    )
    sentences = [said(verdict.sentence) for verdict in made]
    assert {verdict.word for verdict in made} == {"differs", "cannot tell", "no difference beyond error"}
    for sentence in sentences:
        assert sentence.startswith("Kontrast-Rausch-Verhältnis, sky at the gable/wall: Bittern 0,")
        assert "95‑%‑Intervall des Unterschieds" in sentence and "4 Vergleiche berücksichtigt" in sentence
        assert not ENGLISH.search(sentence.replace("sky at the gable/wall", ""))
    assert " höher " in sentences[0] and " niedriger " in sentences[1]
    none = no_answer(
        "modulation", "0.2227/v", "Heron", "Plover", "The target is clipped: film with a shorter exposure or less gain."
    )
    assert said(none.sentence) == (
        "Balkenmodulation, 0.2227/v: Heron und Plover lassen sich nicht vergleichen: "
        "Das Balkenfeld ist übersteuert: Filmen Sie mit kürzerer Belichtung oder weniger Verstärkung."
    )


def test_gates_and_sheets_are_told_in_german() -> None:
    for first, second in ((487.0, 172.0), (172.0, 171.0), (172.0, 172.0)):
        sentence = said(compare_rates(Rate("Heron", first, 0.1), Rate("Plover", second, 0.1)).sentence)
        assert sentence.startswith("Das Gating von ")
        assert not ENGLISH.search(sentence)
    sheet = read_sheet({"snr": "25", "resolution": "64", "fom": "2500"})
    remarks = [*sheet.doubts, *parse_figure("ebi", "2.5").remarks]
    assert len(remarks) >= 2
    assert not any(ENGLISH.search(said(text)) for text in remarks)


def test_errors_are_told_with_place_and_hint() -> None:
    error = MediaError("holds no video stream.", where="a b.mp4", hint="Choose a clip with a picture.")
    assert error_said(error) == "a b.mp4: enthält keine Bildspur. Wählen Sie einen Clip mit Bild."
    assert error_said(FileError("the clip has no file.")) == "Der Clip hat keine Datei."
    i18n.set_language("en")
    assert error_said(error) == str(error)
