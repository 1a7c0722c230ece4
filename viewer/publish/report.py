"""Report and card: one story, filled into one HTML file, a PDF, and a card as PDF, picture and text."""

from __future__ import annotations

import base64
import json
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from viewer.errors import PublishError
from viewer.publish.images import jpeg_bytes
from viewer.publish.palette import marker_points
from viewer.publish.plots import Results, scene_plots
from viewer.publish.still import Still
from viewer.resources import resource
from viewer.session.model import Session

_TEMPLATES = Path(__file__).resolve().parent / "templates"
CARD_PPI = 150.0


def with_plots(story: dict[str, Any], session: Session, results: Results) -> dict[str, Any]:
    """Return the story with the plots of every scene."""
    scenes = [{**scene, "plots": scene_plots(session, scene["id"], results)} for scene in story["scenes"]]
    return {**story, "scenes": scenes}


def report_html(story: dict[str, Any], stills: Mapping[str, Sequence[Still]]) -> str:
    """Return the report as one HTML file: no outside reference, no script; everything of the session is escaped."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=jinja2.select_autoescape(enabled_extensions=("j2",), default=True),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
    )
    scenes = []
    for scene in story["scenes"]:
        pictures = [
            {"caption": still.facts["caption"], "jpeg": _base64(jpeg_bytes(still.pixels))}
            for still in stills.get(scene["id"], ())
        ]
        scenes.append({"plots": [], **scene, "stills": pictures})
    return environment.get_template("report.html.j2").render(
        s={**story, "scenes": scenes},
        marks=[_marker_svg(device) for device in story["devices"]],
        font_regular=_base64(resource("fonts/Inter-Regular.otf").read_bytes()),
        font_bold=_base64(resource("fonts/Inter-SemiBold.otf").read_bytes()),
    )


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def _marker_svg(device: dict[str, Any]) -> str:
    """Return a device's marker; colour and shape are the program's own, nothing of the session enters."""
    points = " ".join(f"{x:.3f},{y:.3f}" for x, y in marker_points(device["marker"]))
    paint = f'fill="none" stroke="{device["colour"]}" stroke-width=".35"' if device["hollow"] else f'fill="{device["colour"]}"'
    return f'<svg class="mark" viewBox="-1.2 -1.2 2.4 2.4" aria-hidden="true"><polygon points="{points}" {paint}/></svg>'


def report_pdf(story: dict[str, Any], stills: Mapping[str, Sequence[Still]]) -> bytes:
    """Return the report as a PDF with tagged structure."""
    with tempfile.TemporaryDirectory(prefix="gloaming-") as name:
        room = Path(name)
        scenes = []
        for scene in story["scenes"]:
            pictures = []
            for still in stills.get(scene["id"], ()):
                file = f"still-{len(list(room.iterdir()))}.jpg"
                (room / file).write_bytes(jpeg_bytes(still.pixels))
                pictures.append({"path": file, "caption": still.facts["caption"]})
            scenes.append({"plots": [], **scene, "stills": pictures})
        return _compile("report.typ", {**story, "scenes": scenes}, room, "pdf")


def card_pdf(story: dict[str, Any]) -> bytes:
    """Return the card as a PDF of one page."""
    with tempfile.TemporaryDirectory(prefix="gloaming-") as name:
        return _compile("card.typ", _for_card(story), Path(name), "pdf")


def card_png(story: dict[str, Any]) -> bytes:
    """Return the card as a picture."""
    with tempfile.TemporaryDirectory(prefix="gloaming-") as name:
        return _compile("card.typ", _for_card(story), Path(name), "png")


def _for_card(story: dict[str, Any]) -> dict[str, Any]:
    return {key: story[key] for key in ("title", "card", "cautions", "hashes", "program")}


def _compile(template: str, story: dict[str, Any], room: Path, form: Literal["pdf", "png"]) -> bytes:
    import typst

    shutil.copyfile(_TEMPLATES / template, room / template)
    fonts = str(resource("fonts/Inter-Regular.otf").parent)
    try:
        made: Any = typst.compile(
            str(room / template),
            root=str(room),
            font_paths=[fonts],
            ignore_system_fonts=True,
            format=form,
            ppi=CARD_PPI if form == "png" else None,
            sys_inputs={"story": json.dumps(story, ensure_ascii=False)},
        )
    except (RuntimeError, typst.TypstError) as error:
        lines = str(error).strip().splitlines() or ["no reason given"]
        raise PublishError(f"the page could not be set ({lines[0]}).", where=template) from error
    # A card that needs a second page is still one card: its first page holds the head, the rest follows in the PDF.
    return bytes(made[0] if isinstance(made, list) else made)


__all__ = ["card_pdf", "card_png", "report_html", "report_pdf", "with_plots"]
