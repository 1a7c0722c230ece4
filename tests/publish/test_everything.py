"""All products of a session: complete, readable by others, free of markup and of half files."""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
import xml.dom.minidom
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from viewer.errors import Cancelled, PublishError, UsageError
from viewer.publish import everything, manifest, readings, report, story
from viewer.publish.words import CAUTIONS
from viewer.session.model import Session
from viewer.tasks.session import measure_session

Sample = tuple[Session, Path]


@pytest.fixture(scope="module")
def lamps(sample: Sample) -> Sample:
    """One scene, measured for real: contrast only, which is quick."""
    session, folder = sample
    only = replace(
        session.drop("s-edge", "q-bloom", "q-flicker"), readings=(), verdicts=(), stills=session.stills, notes=session.notes
    )
    return measure_session(only, folder).session, folder


@pytest.fixture(scope="module")
def products(lamps: Sample, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    out = tmp_path_factory.mktemp("out")
    return everything.publish_session(*lamps, out)


def by_name(products: tuple[Path, ...], name: str) -> Path:
    (path,) = [path for path in products if path.name == name]
    return path


def test_every_product_is_there(products: tuple[Path, ...]) -> None:
    names = {path.name for path in products}
    assert names == {
        "01-quay-lamps.png",
        "01-quay-lamps-matched.png",
        "01-quay-lamps-blink.png",
        "01-quay-lamps-blink.webp",
        "audit.json",
        "readings.csv",
        "readings.json",
        "card.png",
        "card.pdf",
        "card.txt",
        "report.html",
        "report.pdf",
        "manifest.json",
    }
    assert all(path.stat().st_size > 200 for path in products)


def test_csv_has_units_and_the_numbers_of_the_session(products: tuple[Path, ...], lamps: Sample) -> None:
    lines = list(csv.reader(by_name(products, "readings.csv").read_text(encoding="utf-8").splitlines()))
    assert lines[0] == [name for name, _ in readings.COLUMNS] and lines[1] == [unit for _, unit in readings.COLUMNS]
    assert len(lines) - 2 == len(lamps[0].readings)
    for line, reading in zip(lines[2:], lamps[0].readings, strict=True):
        row = dict(zip(lines[0], line, strict=True))
        assert row["reading"] == reading.name
        assert (float(row["value"]) if row["value"] else None) == reading.value
    assert readings.harmless("=1+1") == "'=1+1" and readings.harmless("-5 dB") == "'-5 dB"


def test_json_is_strict(products: tuple[Path, ...]) -> None:
    def refuse(text: str) -> float:
        raise AssertionError(text)

    for path in products:
        if path.suffix == ".json":
            json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)
    document = json.loads(by_name(products, "readings.json").read_text(encoding="utf-8"))
    assert document["schema"] == "gloaming/result/1" and document["verdicts"]


def test_manifest_makes_the_numbers_again(products: tuple[Path, ...], lamps: Sample, tmp_path: Path) -> None:
    path = by_name(products, "manifest.json")
    result = manifest.check_manifest(path, clips=lamps[1])
    assert result.verdict is not None and result.verdict.word == "match", result.verdict
    assert sum(line["state"] == "match" for line in result.extras["lines"]) >= len(lamps[0].readings)
    # A number that was touched is found, and so is a product.
    document = json.loads(path.read_text(encoding="utf-8"))
    touched = next(r for r in document["session"]["readings"] if r["low"] is not None and r["low"] < r["value"])
    touched["value"] = touched["low"]
    (tmp_path / "manifest.json").write_text(json.dumps(document), encoding="utf-8")
    result = manifest.check_manifest(tmp_path / "manifest.json", clips=lamps[1])
    assert result.verdict is not None and result.verdict.word == "mismatch"
    states = [line["state"] for line in result.extras["lines"]]
    assert states.count("mismatch") == 1 and states.count("missing") == len(document["products"])
    for wrong in ("", "[]", '{"schema": "other"}'):
        (tmp_path / "bad.json").write_text(wrong)
        with pytest.raises(PublishError, match="no manifest"):
            manifest.check_manifest(tmp_path / "bad.json")


def test_no_way_on_this_disk_is_told(products: tuple[Path, ...], lamps: Sample) -> None:
    for path in products:
        if path.suffix in (".json", ".html", ".txt", ".csv"):
            assert str(lamps[1]) not in path.read_text(encoding="utf-8"), path.name


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value for key, value in attrs if key in ("src", "href", "xlink:href", "action") and value]

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def read_html(path: Path) -> _Reader:
    reader = _Reader()
    reader.feed(path.read_text(encoding="utf-8"))
    return reader


def test_html_is_one_file_without_script(products: tuple[Path, ...], lamps: Sample) -> None:
    reader = read_html(by_name(products, "report.html"))
    assert "script" not in reader.tags and "iframe" not in reader.tags and reader.tags.count("h1") == 1
    assert all(link.startswith(("data:", "#")) for link in reader.links)
    text = " ".join(reader.text)
    for verdict in lamps[0].verdicts:
        assert verdict.sentence in text
    assert all(caution in text for caution in CAUTIONS)
    assert reader.tags.count("svg") >= 3 and reader.tags.count("img") == 1


def test_markup_in_a_session_is_only_text(evil: Sample, tmp_path: Path) -> None:
    session, folder = evil
    files = everything.publish_session(session.drop("s-edge"), folder, tmp_path, only=["report", "card", "readings"])
    reader = read_html(by_name(files, "report.html"))
    assert "script" not in reader.tags and "i" not in reader.tags
    text = "".join(reader.text)
    assert session.title in text and session.device("d-plover").name in text and "49" not in re.findall(r"\{\{.*?\}\}", text)
    assert "A & <i>B</i> #emph[C] $x^2$" in by_name(files, "card.txt").read_text(encoding="utf-8")
    if shutil.which("pdftotext"):
        for name in ("report.pdf", "card.pdf"):
            done = subprocess.run(["pdftotext", "-layout", str(by_name(files, name)), "-"], capture_output=True, text=True)
            assert "<i>B</i> #emph[C] $x^2$" in done.stdout, name
            assert "/etc/passwd" not in done.stdout or '#include "/etc/passwd"' in done.stdout


def test_plots_are_well_formed_and_repeat(lamps: Sample) -> None:
    told = story.build(lamps[0])
    first, second = (report.with_plots(told, lamps[0], {}) for _ in range(2))
    plots = first["scenes"][0]["plots"]
    assert plots and plots == second["scenes"][0]["plots"]
    for plot in plots:
        document = xml.dom.minidom.parseString(plot["svg"].encode())
        assert document.documentElement.tagName == "svg"
        assert not document.getElementsByTagName("text"), "letters are outlines, so no font is missing anywhere"


def test_card_is_one_page_with_its_blanks(products: tuple[Path, ...]) -> None:
    text = by_name(products, "card.txt").read_text(encoding="utf-8")
    assert "Focus\n  not stated" in text and "Question\n  Which halo is smallest?" in text and "SHA-256" in text
    with Image.open(by_name(products, "card.png")) as image:
        assert abs(image.height / image.width - 2**0.5) < 0.01
        assert np.asarray(image.convert("L")).min() < 60
    if shutil.which("pdfinfo"):
        done = subprocess.run(["pdfinfo", str(by_name(products, "card.pdf"))], capture_output=True, text=True)
        assert re.search(r"Pages:\s+1\b", done.stdout), done.stdout


def test_pdf_has_bundled_fonts_only(products: tuple[Path, ...]) -> None:
    data = by_name(products, "report.pdf").read_bytes()
    assert data.startswith(b"%PDF-")
    if shutil.which("pdffonts"):
        done = subprocess.run(["pdffonts", str(by_name(products, "report.pdf"))], capture_output=True, text=True)
        names = {line.split()[0].split("+")[-1] for line in done.stdout.splitlines()[2:] if line.strip()}
        assert names and all(name.startswith(("Inter", "DejaVu")) for name in names), names


def test_same_input_same_documents(lamps: Sample) -> None:
    told = story.build(lamps[0])
    assert report.card_pdf(told) == report.card_pdf(told)
    assert report.report_html(told, {}) == report.report_html(told, {})


def test_sentences_go_no_further_than_the_verdicts(sample: Sample) -> None:
    session, _ = sample
    told = story.summary(session)
    assert [item["word"] for item in told] == ["differs", "cannot tell"]
    stale = " (out of date)"
    # The only change: a numbered mark is called by the name that its user gave it.
    said = {v.sentence.replace("light-1", "lamp") for v in session.verdicts}
    assert {item["sentence"].removesuffix(stale) for item in told} == said
    for banned in ("better", "best", "winner", "clearly", "superior"):
        assert banned not in json.dumps(story.build(session)).lower()


def test_bad_wishes_and_bad_places(lamps: Sample, tmp_path: Path) -> None:
    session, folder = lamps
    with pytest.raises(UsageError, match="unknown product"):
        everything.publish_session(session, folder, tmp_path, only=["poster"])
    (tmp_path / "file").write_text("")
    with pytest.raises(PublishError, match="cannot be made"):
        everything.publish_session(session, folder, tmp_path / "file" / "out")
    with pytest.raises(Cancelled):
        everything.publish_session(session, folder, tmp_path / "cut", cancelled=lambda: True)
    assert not [path for path in (tmp_path / "cut").rglob("*") if path.is_file()]


def test_progress_ends_at_its_total(lamps: Sample, tmp_path: Path) -> None:
    seen: list[Any] = []
    everything.publish_session(*lamps, tmp_path, only=["readings"], progress=lambda done, total: seen.append((done, total)))
    assert seen[-1][0] == seen[-1][1] and [d for d, _ in seen] == sorted(d for d, _ in seen)
