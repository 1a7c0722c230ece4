"""The field of the clips: what is drawn and said agrees with the light that was put in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.app.model import field
from viewer.app.views.field import FieldDialog
from viewer.app.window import MainWindow
from viewer.media.light import from_linear
from viewer.media.writer import VideoWriter
from viewer.session import store
from viewer.session.model import Clip, Device, Region, Scene, Session

WIDTH, HEIGHT, CX, CY, RADIUS, FALL = 240, 180, 121.0, 90.0, 80.0, 0.3


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An even field whose light falls as 1 - 0.3 (r / edge)^2 in linear light, and a file that is no clip."""
    made = tmp_path_factory.mktemp("sky")
    rows, cols = np.mgrid[:HEIGHT, :WIDTH]
    r = np.hypot(cols - CX, rows - CY)
    light = 0.5 * (1.0 - FALL * (r / RADIUS) ** 2) * np.clip(RADIUS + 0.5 - r, 0.0, 1.0)
    signal = np.repeat(from_linear("bt709", light)[..., None], 3, axis=2).astype(np.float32)
    with VideoWriter(made / "even.mp4", width=WIDTH, height=HEIGHT, rate=Fraction(25), crf=4, options={"g": "8"}) as writer:
        for _ in range(6):
            writer.write(signal)
    (made / "broken.mp4").write_bytes(b"no recording" * 100)
    return made


@pytest.fixture
def session(folder: Path) -> Session:
    devices = (Device(id="h", name="Heron", field_deg=40.0), Device(id="b", name="Bittern", field_deg=40.0))
    clips = tuple(
        Clip(id=ident, scene="s", device=device, files=(store.refer(folder / name, folder),))
        for ident, device, name in (("even", "h", "even.mp4"), ("broken", "b", "broken.mp4"))
    )
    marks = tuple(  # true angles 5, 10 and 15 degrees without distortion: 4 px a degree
        Region(id=f"m{n}", scene="s", kind="light", name=f"mark {n}", geometry=(CX + 20.0 * n, CY)) for n in (1, 2, 3)
    )
    return Session(id="x", devices=devices, scenes=(Scene(id="s", name="Sky", kind="other"),), clips=clips, regions=marks)


def measured(session: Session, folder: Path, asked: field.Asked) -> dict[str, Any]:
    return field.measure(session, folder, session.clips, asked, progress=lambda *_: None, cancelled=lambda: False)


def test_fall_of_light_circle_and_marks_are_found_again(session: Session, folder: Path) -> None:
    """Closed form: at nine tenths of the radius 1 - 0.3 x 0.81 of the light is left; 40 px over 10 degrees are 4 px/deg."""
    asked = field.Asked(even=True, angles={"m1": 5.0, "m2": 10.0, "m3": 15.0}, pair=("m1", "m3", 10.0))
    results = measured(session, folder, asked)
    found = results["even"]
    assert found.reading("edge_light").value == pytest.approx(100 * (1 - FALL * 0.81), abs=1.0)
    assert found.reading("radius").value == pytest.approx(RADIUS, abs=0.7)
    assert found.reading("px_per_degree", "two marked points").value == pytest.approx(4.0, rel=0.001)
    assert found.reading("distortion").value == pytest.approx(0.0, abs=0.5)
    names = {"even": "Heron", "broken": "Bittern"}
    assert any(text.startswith("Bittern: ") and "broken.mp4" in text for text in field.notes_of(results, names))
    falling, heron_map, picture = field.plots_of(results, names)
    middle = falling.curves[0].y[falling.curves[0].x < 0.2]
    assert middle == pytest.approx(100.0, abs=2.0) and falling.curves[0].clip == "even"
    assert heron_map.rings[0] == pytest.approx((CX, CY, RADIUS), abs=0.7) and heron_map.square
    assert picture.image is not None and picture.image.shape == (HEIGHT, WIDTH)
    assert picture.image[90, 121] == pytest.approx(0.5, rel=0.02)


def test_the_twin_of_a_map_holds_its_numbers(session: Session, folder: Path) -> None:
    heron_map = field.plots_of(measured(session, folder, field.Asked()), {"even": "Heron", "broken": "Bittern"})[1]
    heads, lines = heron_map.table({"even": "Heron"})
    assert len(heads) == 49 and len(lines) == 48 and all(len(line) == 49 for line in lines)
    across, down = [float(h) for h in heads[1:]], [float(line[0]) for line in lines]
    col, row = int(np.argmin(np.abs(np.array(across) - CX))), int(np.argmin(np.abs(np.array(down) - CY)))
    assert float(lines[row][col + 1]) == pytest.approx(100.0, abs=2.0)
    assert lines[0][1] == "–", "outside of the circle there is nothing"


def test_a_scene_is_no_even_field(session: Session, folder: Path) -> None:
    """Without the user's word that the field is even nothing is said of the fall of light."""
    found = measured(session, folder, field.Asked(even=False))["even"]
    assert not {"edge_light", "light_tilt"} & {r.name for r in found.readings}
    rows = dict(field.rows_of({"even": found}))
    assert set(rows) == {"Centre x", "Centre y", "Field radius", "Pixels per degree (stated field)"}
    assert field.as_text({"even": found}, {"even": "Heron"}).splitlines()[0] == "Reading\tHeron"


def test_the_dialog_measures_and_shows(
    make_window: Callable[..., MainWindow], wait: Callable[..., None], session: Session, folder: Path, qtbot: Any
) -> None:
    path = store.save(replace(session, clips=session.clips[:1]), folder / "sky.gloam")
    window = make_window(path)
    wait(window)
    window.run("field")
    dialog = next(d for d in window.dialogs if isinstance(d, FieldDialog))
    qtbot.waitUntil(lambda: bool(dialog.results) and dialog.go.isEnabled(), timeout=30_000)
    assert [dialog.choice.itemText(n) for n in range(3)] == [
        "Fall of light from the middle to the edge",
        "Light over the field (% of the middle): Heron",
        "Picture and circle: Heron",
    ]
    assert dialog.readings.item(0, 0).text() == "Centre x" and dialog.readings.item(0, 1).text().startswith("121")
    dialog.choice.setCurrentIndex(1)
    dialog.as_table.setChecked(True)
    assert dialog.stack.currentWidget() is dialog.twin and dialog.twin.rowCount() == 48
    dialog.angles.item(0, 1).setText("five")
    dialog.measure()
    assert "five" in dialog.note.text()  # type: ignore[attr-defined]
    dialog.angles.item(0, 1).setText("5,0")
    assert dialog.asked().angles == {"m1": 5.0}
    dialog.close()
