"""What the window shows, without widgets."""

from __future__ import annotations

import ast
import json
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from viewer.align.transform import FieldCircle, Pose
from viewer.app import i18n
from viewer.app.commands.drawing import parse_bars
from viewer.app.commands.measuring import with_alignment, with_readings
from viewer.app.commands.timing import parse_time
from viewer.app.model import geometry, ingest, next_steps, plots, render, shapes, table
from viewer.app.model.coverage import cells
from viewer.app.model.settings import Settings
from viewer.app.theme import THEMES
from viewer.app.views.camera import parse_shutter, shutter_words
from viewer.app.views.levels import parse_levels
from viewer.app.views.plan import with_plan
from viewer.app.views.pointer import carried_back
from viewer.errors import UsageError
from viewer.measure.names import LABELS
from viewer.measure.readings import FLAG_WORDS
from viewer.measure.sheet import QUANTITIES
from viewer.resources import resource
from viewer.session.model import Clip, Device, FileRef, Region, Request, Scene, Session, new_session
from viewer.tasks.carry import carried

APP = Path(i18n.__file__).parent


def texts_of_the_window() -> set[str]:
    """Return every text that `tr`, `trn` or `mark` is given, and those of other rooms that the window shows."""
    found: set[str] = set()
    for path in APP.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("tr", "mark", "trn"):
                for arg in node.args[: 2 if node.func.id == "trn" else 1]:
                    if isinstance(arg, ast.Constant) and isinstance(arg.value, str) and arg.value:
                        found.add(arg.value)
    for word, meaning in FLAG_WORDS.values():
        found |= {word, meaning}
    for quantity in QUANTITIES.values():
        found |= {quantity.title, quantity.about} - {""}
    return found | set(LABELS.values())


# --- language ---


def test_german_is_complete_and_keeps_its_blanks() -> None:
    catalogue = json.loads(resource("i18n/de.json").read_text(encoding="utf-8"))
    assert not texts_of_the_window() - set(catalogue)
    for text, translated in catalogue.items():
        assert sorted(re.findall(r"\{\w+\}", text)) == sorted(re.findall(r"\{\w+\}", translated)), text


def test_no_text_of_the_window_bypasses_the_catalogue() -> None:
    """Literal words handed to widgets would stay English."""
    calls = re.compile(
        r"(?:QLabel|QCheckBox|label|button|setText|setToolTip|addTab|setWindowTitle)\(\s*\"([A-Za-z][^\"]{3,})\""
    )
    for path in APP.rglob("*.py"):
        assert not calls.findall(path.read_text(encoding="utf-8")), path


@pytest.mark.parametrize(
    ("text", "value"), [("0.003", 0.003), ("0,003", 0.003), ("−2,5", -2.5), (" 12 ", 12.0), ("1 000", 1000.0)]
)
def test_numbers_are_read_with_point_or_comma(text: str, value: float) -> None:
    assert i18n.parse_number(text) == value


@pytest.mark.parametrize("text", ["", "1,234.5", "1.2.3", "abc", "nan", "inf"])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        i18n.parse_number(text)


def test_german_numbers_and_times() -> None:
    i18n.set_language("de")
    try:
        assert i18n.number(-0.5, 2) == "−0,50"
        assert i18n.seconds(62.3456, 3) == "1:02,346"
        assert i18n.tr("Undo") == "Rückgängig"
        assert i18n.trn("{n} file is missing.", "{n} files are missing.", 2) == "2 Dateien fehlen."
    finally:
        i18n.set_language("en")
    assert i18n.seconds(59.9999, 3) == "1:00.000"
    assert i18n.seconds(-0.25, 2) == "−0:00.25"


# --- typed things ---


def test_typed_times_shutters_bars_levels() -> None:
    assert parse_time("1:02,5") == 62.5
    assert parse_time("-0:01") == -1.0
    assert parse_shutter("1/250") == pytest.approx(0.004)
    assert shutter_words(0.004) == "1/250"
    assert parse_bars("4,5 h") == {"lpmm": 4.5, "way": "h"}
    assert parse_bars("2.24v") == {"lpmm": 2.24, "way": "v"}
    levels = parse_levels("1,0\n0.3 1.2-2.4\n\n0,03 4,4", "mfL")
    assert [(v.value, v.start_s, v.end_s) for v in levels] == [(1.0, None, None), (0.3, 1.2, 2.4), (0.03, 4.4, None)]
    for wrong in ("0 v", "x", "-2"):
        with pytest.raises(UsageError):
            parse_bars(wrong)


# --- geometry ---


def _clip(ident: str, **more: Any) -> Clip:
    return Clip(id=ident, scene="s", device=more.pop("device", "d"), files=(FileRef(path=f"{ident}.mp4"),), **more)


def test_scale_comes_from_the_field_circle() -> None:
    # 40 degrees across a circle of 800 px diameter are 20 px per degree.
    clip = _clip("a", circle=FieldCircle(cx=500, cy=400, radius=400))
    session = replace(
        new_session(), devices=(Device(id="d", name="D", field_deg=40.0),), scenes=(Scene(id="s", name="S"),), clips=(clip,)
    )
    placed = geometry.place(session, clip, {"a": (1000, 800)})
    assert placed.px_per_degree == pytest.approx(20.0)
    assert geometry.apply(placed.to_deg, 500, 400) == pytest.approx((0, 0))
    view = geometry.View(0, 0, 30.0)
    assert geometry.apply(view.clip_to_screen(placed, 600, 400), 520, 400) == pytest.approx((330, 200))


def test_clips_of_other_magnification_show_equal_angles() -> None:
    a, b = (
        _clip("a", circle=FieldCircle(cx=500, cy=400, radius=400)),
        _clip("b", circle=FieldCircle(cx=300, cy=250, radius=200)),
    )
    session = replace(
        new_session(), devices=(Device(id="d", name="D", field_deg=40.0),), scenes=(Scene(id="s", name="S"),), clips=(a, b)
    )
    sizes = {"a": (1000, 800), "b": (640, 480)}
    ten_a = geometry.apply(geometry.place(session, a, sizes).to_deg, 700, 400)
    ten_b = geometry.apply(geometry.place(session, b, sizes).to_deg, 400, 250)
    assert ten_a == pytest.approx((10, 0)) and ten_b == pytest.approx((10, 0))


def test_zoom_keeps_what_is_under_the_pointer() -> None:
    rng = np.random.default_rng(1)
    for _ in range(50):
        view = geometry.View(*rng.normal(0, 5, 2), float(rng.uniform(5, 60)))
        at, size = tuple(rng.uniform(0, 500, 2)), (500.0, 400.0)
        before = geometry.apply(geometry.invert(view.to_screen(*size)), *at)
        after = geometry.apply(geometry.invert(view.zoomed(float(rng.uniform(0.5, 2)), at, size).to_screen(*size)), *at)  # type: ignore[arg-type]
        assert after == pytest.approx(before, abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "form"), [("rect", (100.0, 80.0, 30.0, 20.0)), ("light", (50.0, 60.0)), ("line", (10.0, 20.0, 90.0, 70.0))]
)
def test_what_is_drawn_in_a_clip_is_carried_back_to_the_same_place(kind: str, form: tuple[float, ...]) -> None:
    clip = _clip("b", pose=Pose(scale=1.3, rotation_deg=4.0, shift_x=12.5, shift_y=-7.0))
    region = Region(id="r", scene="s", kind=kind, name="", geometry=form)  # type: ignore[arg-type]
    assert carried_back(kind, carried(region, clip), clip) == pytest.approx(form, abs=1e-6)


def test_corners_are_pixel_edges() -> None:
    shape = shapes.Shape(Region(id="r", scene="s", kind="rect", name="", geometry=(10, 20, 4, 2)), "rect", (10, 20, 4, 2))
    assert shape.corners() == [(9.5, 19.5), (13.5, 19.5), (13.5, 21.5), (9.5, 21.5)]


def test_hits_prefer_outlines() -> None:
    shape = shapes.Shape(Region(id="r", scene="s", kind="rect", name="", geometry=(0, 0, 100, 100)), "rect", (0, 0, 100, 100))
    points = [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0)]
    edge, inside = shapes.hit(shape, points, (50, 2)), shapes.hit(shape, points, (50, 50))
    assert edge is not None and inside is not None and edge < inside
    assert shapes.hit(shape, points, (150, 50)) is None


def test_panes_use_the_room() -> None:
    assert geometry.grid_shape(3, 1500, 500) == (1, 3)
    assert geometry.grid_shape(4, 1000, 1000) == (2, 2)
    assert geometry.grid_shape(2, 400, 1000) == (2, 1)


# --- pictures ---


class FakeFrame:
    """A frame with a known picture and known light."""

    def __init__(self, light: np.ndarray) -> None:
        self.light_, self.number, self.time_s = light.astype(np.float32), 7, 0.28
        self.height, self.width = light.shape

    def display(self, width: int | None = None, height: int | None = None) -> np.ndarray:
        from viewer.cv import cv2

        grey = render.encode(self.light_)
        out = np.dstack([grey, grey, grey, np.full_like(grey, 255)])
        return out if width is None else np.asarray(cv2.resize(out, (width, height or 1), interpolation=cv2.INTER_AREA))

    def luminance(self, rect: Any = None) -> Any:
        x, y, w, h = rect or (0, 0, self.width, self.height)
        part = self.light_[y : y + h, x : x + w]
        return SimpleNamespace(light=part, clipped=part >= 1.0)


def _target(matrix: tuple[float, ...], size: tuple[int, int], **more: Any) -> render.Target:
    return render.Target(pane="p", matrix=matrix, size=size, **more)


def test_pixels_land_where_they_belong_at_any_scale() -> None:
    """A spot off the middle stays on the place that the matrix gives, within a tenth of a screen pixel (corner or centre
    conventions mixed up would show as a shift of half a clip pixel times the scale)."""
    light = np.zeros((120, 160))
    light[68:73, 39:44] = 1.0
    frame = FakeFrame(light)
    renderer = render.Renderer()
    renderer.take(frame)
    for scale in (0.5, 1.0, 2.0, 5.0):
        matrix = (scale, 0.0, 3.0, 0.0, scale, -2.0)
        picture = renderer.render(_target(matrix, (int(170 * scale), int(130 * scale)), surround=0))
        weight = picture.array[..., 1].astype(float)
        rows, cols = np.indices(weight.shape)
        # A pixel of the screen covers [n, n + 1): its middle is n + 0.5.
        x, y = (weight * (cols + 0.5)).sum() / weight.sum(), (weight * (rows + 0.5)).sum() / weight.sum()
        assert x == pytest.approx(scale * 41 + 3, abs=0.1)
        assert y == pytest.approx(scale * 70 - 2, abs=0.1)


def test_difference_is_signed() -> None:
    # Flats of 3 and 5: where unsigned numbers wrap round, the difference is darker than mid grey, not white.
    out = render.signed_difference(np.full((2, 2), 0.03), np.full((2, 2), 0.05), 0.1)
    assert np.all(out[..., 0] < 127) and np.all(
        render.signed_difference(np.full((2, 2), 0.05), np.full((2, 2), 0.03), 0.1)[..., 0] > 127
    )
    same = render.signed_difference(np.ones((2, 2)), np.ones((2, 2)), 0.1)
    assert set(same[..., 0].ravel()) == {127}


def test_brightness_match_multiplies_light() -> None:
    bgra = np.dstack([np.full((4, 4), c, np.uint8) for c in (60, 90, 120, 255)])
    out = render.brightened(bgra, 2.0)
    for channel in range(3):
        assert render.DECODE[out[0, 0, channel]] == pytest.approx(2 * render.DECODE[bgra[0, 0, channel]], rel=0.03)


def test_neutral_grey_has_no_hue_and_keeps_luminance() -> None:
    rng = np.random.default_rng(5)
    bgra = rng.integers(0, 256, (20, 20, 4), dtype=np.uint8)
    out = render.neutral(bgra)
    assert np.all(out[..., 0] == out[..., 1]) and np.all(out[..., 1] == out[..., 2])
    want = render.DECODE[bgra[..., :3]] @ np.array([0.0722, 0.7152, 0.2126])  # IEC 61966-2-1, BT.709 primaries
    assert np.allclose(render.DECODE[out[..., 0]], want, atol=0.006)


def test_false_luminance_is_cividis() -> None:
    matplotlib = pytest.importorskip("matplotlib")
    published = (np.array(matplotlib.colormaps["cividis"](np.arange(256)))[:, :3] * 255)[:, ::-1]
    # Straight lines between every fourth entry stray by three codes at the knee of blue.
    assert np.abs(render.cividis().astype(float) - published).max() <= 4
    out = render.false_luminance(np.array([[1e-6, 1e-3, 1.0, 9.0]]))
    assert np.array_equal(out[0, 0], out[0, 1]) and np.array_equal(out[0, 2], out[0, 3])


def test_clipped_pixels_are_hatched_and_counted() -> None:
    light = np.full((60, 80), 0.2)
    light[10:20, 10:30] = 1.5
    renderer = render.Renderer()
    renderer.take(FakeFrame(light))
    picture = renderer.render(_target((1, 0, 0.5, 0, 1, 0.5), (80, 60), clipped=True))
    assert picture.clipped_share == pytest.approx(200 / 4800)
    patch = picture.array[11:19, 11:29, 0]
    assert set(np.unique(patch)) == {0, 255}


def test_line_profile_reads_light_along_the_line() -> None:
    ramp = np.tile(np.linspace(0, 1, 100), (50, 1))
    found = render.line_profile(FakeFrame(ramp), (10, 25, 60, 25))
    assert found is not None and np.allclose(found, np.linspace(10 / 99, 60 / 99, 51), atol=1e-5)
    assert render.line_profile(FakeFrame(ramp), (10, 25, 160, 25)) is None


# --- what the parts say ---


def test_guesses_from_folders_and_names() -> None:
    paths = [Path(f"/card/{d}/quay_lamps_t{t}.mp4") for d in ("heron", "bittern") for t in (1, 2)]
    found = ingest.guess(paths, new_session())
    assert [(p.device, p.scene, p.kind, p.take) for p in found] == [
        ("Heron", "Quay lamps", "lamps", 1),
        ("Heron", "Quay lamps", "lamps", 2),
        ("Bittern", "Quay lamps", "lamps", 1),
        ("Bittern", "Quay lamps", "lamps", 2),
    ]


def test_known_names_win_and_parts_are_joined() -> None:
    session = replace(
        new_session(),
        devices=(Device(id="d", name="Marsh Heron"),),
        scenes=(Scene(id="s", name="Slipway walk", kind="figure"),),
    )
    paths = [
        Path("/x/slipway-walk marsh-heron part1.mp4"),
        Path("/x/slipway-walk marsh-heron part2.mp4"),
        Path("/x/slipway-walk source.mp4"),
    ]
    found = ingest.guess(paths, session)
    assert [(p.device, p.scene, len(p.paths), p.role) for p in found] == [
        ("Marsh Heron", "Slipway walk", 2, "device"),
        ("", "Slipway walk", 1, "source"),
    ]


def test_strange_names_do_no_harm(tmp_path: Path) -> None:
    names = [
        "Möwe #1.mp4",
        "夜.mov",
        "a b  c.MKV",
        "e\u0301te\u0301.mp4",
        "x" * 180 + ".mp4",
        "C0012.MP4",
        ".hidden.mp4",
        "notes.txt",
    ]
    for name in names:
        (tmp_path / name).write_bytes(name.encode())
    clips = ingest.find_clips([tmp_path])
    assert len(clips) == 6
    proposals = ingest.guess(clips, new_session())
    refs = ingest.refer_all(proposals, tmp_path)
    session = ingest.add_clips(new_session(), proposals, refs)
    assert len(session.clips) == 6
    assert len(ingest.add_clips(session, proposals, refs).clips) == 6, "the same files are not added twice"


def test_next_says_what_is_missing() -> None:
    session = new_session()
    assert [s.action for s in next_steps.compute(session)] == ["add_clips"]
    devices = (Device(id="d1", name="A", field_deg=40.0), Device(id="d2", name="B"))
    clips = (_clip("a", device="d1"), _clip("b", device="d2"))
    clips = tuple(replace(c, camera=replace(c.camera, shutter_s=s)) for c, s in zip(clips, (0.004, 0.02), strict=True))
    session = replace(session, devices=devices, scenes=(Scene(id="s", name="Quay lamps"),), clips=clips)
    texts = [step.text for step in next_steps.compute(session, missing={"a"})]
    assert texts[0] == "1 file is missing."
    assert "1 clip is not lined up." in texts
    assert "Shutter differs in “Quay lamps”." in texts
    assert "No second take: intervals cover one take only." in texts
    assert "Field of view of B not stated." in texts
    steps = next_steps.compute(session, worst=(("s", "d2", 3), ("s", "d1", 1)))
    again = next(step for step in steps if step.action == "repeats")
    assert again.text == "One more take of B in “Quay lamps” would narrow 3 open comparisons." and again.scene == "s"
    assert not any(step.text.startswith("No second take") for step in steps)


def test_cells_say_how_far_they_are() -> None:
    devices = (Device(id="d1", name="A"), Device(id="d2", name="B"))
    session = replace(new_session(), devices=devices, scenes=(Scene(id="s", name="S"),), clips=(_clip("a", device="d1"),))
    found = cells(session, trouble={"a": "cannot be read"})
    assert found["s", "d1"].trouble and found["s", "d1"].reference and not found["s", "d2"].clips
    assert "Drop a file here" in found["s", "d2"].words(session)


def test_digits_follow_the_interval(session: Session) -> None:
    reading = replace(session.readings[0], value=12.437, low=12.13, high=12.71)
    assert table.digits(reading) == ("12.44", "±0.29", "px")
    assert table.digits(replace(reading, low=12.3, high=13.4))[1] == "+0.96 −0.14"
    assert table.digits(replace(reading, value=0.793, low=0.78421, high=0.80179, unit="1")) == ("0.7930", "±0.0088", "")


def test_rows_filter_and_sort(session: Session) -> None:
    rows = table.rows_of(session, "s1", session.clips)
    assert [r.title for r in rows] == ["Halo radius"] and rows[0].where == "Gate lamp"
    assert table.rows_of(session, "s1", session.clips, words="gate clipped")
    assert not table.rows_of(session, "s1", session.clips, words="gate mtf")
    assert "film it two stops darker" in table.as_text(rows, ["Heron", "Bittern", "Plover"])


def test_gates_stand_below_the_rate_of_a_device_itself(session: Session) -> None:
    """Once, at the first row that shows a gate; not at the screen's own frequency."""
    request = Request(id="flicker", scene="s1", measure="flicker")
    first = replace(session.readings[0], request="flicker", name="modulation_frequency", unit="Hz", flags=())
    own = replace(first, id="own", of="field/line-2", flags=("from the device",))
    more = replace(session.put(request), readings=(first, own, replace(own, id="again", of="field/line-3")))
    said = "Heron gates about 3.3 times as fast as Bittern (487 Hz against 147.6 Hz; 95 %: 3.298 to 3.301 times)."
    rows = table.rows_of(more, "s1", more.clips, main_only=False, gates={"flicker": (said,)})
    assert [len(row.gates) for row in rows] == [0, 1, 0]
    assert rows[1].said[-1].replace("\u00a0", " ") == said and "verdict" in table.lines_of(rows[1])
    assert "3.3 times as fast" in table.as_text(rows, ["Heron"]).replace("\u00a0", " ")
    assert table.rows_of(more, "s1", more.clips, main_only=False)[1].gates == ()


def test_plots_have_their_table(session: Session) -> None:
    data = {"radius_px": np.arange(5.0), "profile": np.array([5, 4, np.nan, 2, 1.0]), "sigma": np.ones(5), "halo_radius": 3.0}
    result = SimpleNamespace(plots={"Gate lamp": data}, extras={})
    source = plots.Source(session, session.requests[0], session.clips, {"c-heron": result})
    found = plots.plots_of(source)
    assert [p.title for p in found] == ["Radial profile: Gate lamp", "Halo radius: Gate lamp"]
    heads, lines = found[0].table({"c-heron": "Heron"})
    assert heads[:2] == ["Radius (px) (Heron)", "Linear light (Heron)"]
    assert [line[0] for line in lines] == ["0", "1", "3", "4", "halo edge 3.00 px (Heron)"]
    # Where the scale of every clip is known the same profile stands in degrees: 2 px per degree halves the radii.
    turned = plots.plots_of(replace(source, px_per_degree={"c-heron": 2.0}))[0]
    assert list(turned.curves[0].x) == [0.0, 0.5, 1.5, 2.0] and turned.marks[0].x == 1.5
    assert plots.plot_for(found, session.readings[0]) == 0


def test_a_plot_without_results_can_be_asked_for(session: Session) -> None:
    found = plots.plots_of(plots.Source(session, session.requests[0], session.clips))
    assert [p.empty for p in found] == [True, False]


def test_readings_against_light_level(session: Session) -> None:
    """Two requests at two moments of a series with levels: one curve a device, error bars from the intervals."""
    from viewer.session.model import LightLevel

    scene = replace(
        session.scene("s1"),
        levels=(LightLevel(value=1.0, unit="mfL", start_s=0.0), LightLevel(value=0.03, unit="mfL", start_s=2.0)),
    )
    made, readings = [], []
    for n, (start, value) in enumerate(((0.5, 0.8), (2.5, 0.6))):
        made.append(Request(id=f"k{n}", scene="s1", measure="contrast", first_s=start, last_s=start + 1))
        readings += [
            replace(session.readings[0], id=f"{clip}{n}", request=f"k{n}", clip=clip, name="michelson", of="white/black",
                    unit="1", value=value, low=value - 0.1, high=value + 0.1, state="measured")
            for clip in ("c-heron", "c-bittern")
        ]  # fmt: skip
    full = replace(session.put(scene, *made), readings=(*session.readings, *readings))
    (plot,) = plots.level_plots(full, scene, full.clips)
    assert [list(c.x) for c in plot.curves] == [[0.03, 1.0], [0.03, 1.0]]
    assert list(plot.curves[0].y) == [0.6, 0.8] and plot.curves[0].error == pytest.approx([0.1, 0.1])
    assert plot.log_x and "mfL" in plot.x_title


def test_bounds_say_which_side(session: Session) -> None:
    bound = replace(session.readings[0], state="limit", value=0.78, low=0.77, high=1.0)
    assert table.bound_sign(bound) == "≥ "
    assert table.bound_sign(replace(bound, low=0.0, high=0.8)) == "≤ "
    assert table.bound_sign(replace(bound, low=0.7, high=0.86)) == "~ "
    assert table.bound_sign(replace(bound, state="measured")) == ""


def test_results_of_jobs_leave_later_edits_alone(session: Session) -> None:
    found = session.put(replace(session.clips[1], pose=Pose(shift_x=5)), replace(session.clips[2], pose=Pose(shift_x=6)))
    now = session.drop("c-plover").put(replace(session.clips[1], pose=Pose(shift_x=99, pose_by="hand")))
    merged = with_alignment(now, session, found)
    assert merged.clip("c-bittern").pose == Pose(shift_x=99, pose_by="hand")
    assert all(clip.id != "c-plover" for clip in merged.clips)
    measured = replace(session, readings=tuple(replace(r, value=1.0, state="measured") for r in session.readings))
    both = with_readings(session.drop("c-plover"), measured, {("q1", "c-heron"), ("q1", "c-plover")})
    assert {r.clip: r.value for r in both.readings} == {"c-heron": 1.0, "c-bittern": 9.8}


def test_a_plan_changed_after_measuring_is_logged(session: Session) -> None:
    first = with_plan(replace(session, readings=()), "Which halo is smaller?", "Heron's", "2026-03-01 10:00")
    assert first.plan.made == "2026-03-01 10:00" and not first.plan.log
    later = with_plan(replace(first, readings=session.readings), "Which is sharper?", "Heron", "2026-03-02 11:00")
    assert later.plan.made == "2026-03-01 10:00" and "Which halo" in later.plan.log[0]


def test_settings_survive_nonsense(tmp_path: Path) -> None:
    path = tmp_path / "settings.json"
    path.write_text('{"theme": 5, "text_percent": 130, "evil": true}')
    settings = Settings(path)
    assert settings["theme"] == "dark" and settings["text_percent"] == 130
    settings["theme"] = "light"
    assert settings.save() and Settings(path)["theme"] == "light"
    with pytest.raises(KeyError):
        settings["evil"] = 1


def test_text_contrast_meets_the_rule() -> None:
    """WCAG 2.2: contrast ratio of text at least 7:1 (1.4.6, enhanced), quiet text 4.5:1 (1.4.3).

    Dim red cannot reach them: red of a lightness that keeps eyes adapted has less than 4:1 against black; it is held to 3:1.
    """
    from viewer.publish.palette import contrast_ratio

    for name, look in THEMES.items():
        text, quiet = (3.0, 2.0) if name == "red" else (7.0, 4.5)
        for ground in (look.window, look.panel, look.raised):
            assert contrast_ratio(look.text, ground) >= text, name
            assert contrast_ratio(look.quiet, ground) >= quiet, name
        if name != "red":
            for role in ("surround", "window", "panel", "raised", "hairline", "strong", "text", "quiet", "focus", "fill"):
                value = getattr(look, role)
                assert value[1:3] == value[3:5] == value[5:7], f"{name} {role} has a hue"


def test_requests_are_not_doubled(session: Session) -> None:
    from viewer.app.views.measures import with_request

    again = Request(id="other", scene="s1", measure="bloom", regions={"light": ("g2",)})
    assert with_request(session, again) is session
