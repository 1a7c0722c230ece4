"""Publish: what is written and where, with the cautions; and the methods card before it is printed."""

# ruff: noqa: E501 - texts and tables

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtWidgets import QCheckBox, QLineEdit, QTextBrowser, QWidget

from viewer.app.i18n import mark, tr, trn
from viewer.app.model.next_steps import compute
from viewer.app.model.table import as_csv
from viewer.app.views import ask
from viewer.app.views.dialog import Dialog, quiet
from viewer.app.views.parts import button, label, row
from viewer.errors import Cancelled
from viewer.session import store
from viewer.session.model import Session

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

CAUTIONS = (
    mark("Blinking and gating bands can harm photosensitive viewers: look at the flash scan before you publish footage. It is no medical clearance."),
    mark("Check local law before publishing device data. What is shown is no advice for driving, flying or aiming."),
    mark("Places, faces and plates may be recognised: look at every still once more. Metadata of the sources is not copied."),
)  # fmt: skip


class PublishDialog(Dialog):
    """Choose products and a folder; the work runs in the background."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Publish"), size=(620, 600))
        session = window.document.session
        start = window.document.folder / "published"
        self.folder = QLineEdit(str(start))
        self.folder.setAccessibleName(tr("Folder"))
        self.products = {
            "stills": QCheckBox(trn("{n} still (PNG, sRGB)", "{n} stills (PNG, sRGB)", len(session.stills))),
            "card": QCheckBox(tr("Methods card")),
            "readings": QCheckBox(tr("Readings as CSV, decimal points")),
            "all": QCheckBox(tr("Footage, report and manifest as well")),
        }
        self.products["stills"].setEnabled(bool(session.stills))
        self.products["readings"].setEnabled(bool(session.readings))
        for key, box in self.products.items():
            box.setChecked(box.isEnabled() and key != "all")
        self.products["all"].setEnabled(full_publisher() is not None)
        choose = button(tr("Choose…"), self._choose)
        place = QWidget()
        line = row(self.folder, choose)
        place.setLayout(line)
        parts: list[QWidget | int | None] = [label(tr("Where to"), kind="head"), place, label(tr("What"), kind="head")]
        parts += list(self.products.values())
        open_steps = [s.text for s in compute(session, trouble=window.stage.trouble, out_of_date=window.out_of_date())]
        if open_steps:
            parts += [label(tr("Still missing for a fair comparison"), kind="head"), quiet("\n".join(open_steps[:6]))]
        parts += [label(tr("Cautions"), kind="head"), quiet("\n".join(tr(text) for text in CAUTIONS)), None]
        self.fill(*parts)
        self.add_button(tr("Look at the card"), lambda: window.run("card"))
        self.add_button(tr("Cancel"), self.reject)
        self.add_button(tr("Publish"), self.go, main=True)

    def _choose(self) -> None:
        folder = ask.choose_folder(self, tr("Folder"), Path(self.folder.text()).parent)
        if folder is not None:
            self.folder.setText(str(folder))

    def go(self) -> None:
        """Start, and close."""
        window = self.window_
        session, base, folder = window.document.session, window.document.folder, Path(self.folder.text().strip())
        wanted = {key for key, box in self.products.items() if box.isChecked()}

        def work(progress: Any, cancelled: Any) -> list[Path]:
            return publish_into(session, base, folder, wanted, progress=progress, cancelled=cancelled)

        def done(files: list[Path]) -> None:
            window.say(trn("{n} file written to {folder}.", "{n} files written to {folder}.", len(files), folder=folder))

        window.jobs.start(tr("Publishing"), work, done=done)
        self.accept()


def full_publisher() -> Callable[..., Any] | None:
    """Return what writes every product of a session, where this installation has it."""
    import importlib

    try:
        module = importlib.import_module("viewer.publish.everything")
    except ImportError:
        return None
    found = getattr(module, "publish_session", None)
    return found if callable(found) else None


def publish_into(
    session: Session,
    base: Path,
    folder: Path,
    wanted: set[str],
    *,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> list[Path]:
    """Write the wanted products into `folder`; return what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    publisher = full_publisher() if "all" in wanted else None
    if publisher is not None:
        return list(publisher(session, base, folder, progress=progress, cancelled=cancelled))
    files: list[Path] = []
    facts: dict[str, list[dict[str, Any]]] = {}
    stills = session.stills if "stills" in wanted else ()
    for done, spec in enumerate(stills):
        from viewer.publish.still import render_still, write_still

        if cancelled is not None and cancelled():
            raise Cancelled
        still = render_still(session, base, spec, cancelled=cancelled)
        files.append(write_still(still, folder / f"{file_name(spec.name or spec.id)}.png"))
        facts.setdefault(spec.scene, []).append(still.facts)
        if progress is not None:
            progress(done + 1, len(stills) + 1)
    if "card" in wanted:
        from viewer.publish import story

        path = folder / "card.txt"
        store.write_whole(path, story.card_text(story.build(session, stills=facts)).encode("utf-8"))
        files.append(path)
    if "readings" in wanted:
        for scene in session.scenes:
            path = folder / f"readings {file_name(scene.name)}.csv"
            store.write_whole(path, as_csv(session, scene.id).encode("utf-8"))
            files.append(path)
    return files


def file_name(text: str) -> str:
    """Return a name that every system takes."""
    return re.sub(r'[\\/:*?"<>|\x00-\x1f]+', "-", text).strip(" .") or "untitled"


class CardDialog(Dialog):
    """The card as it stands, blanks included."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Methods card"), size=(720, 680))
        self.view = QTextBrowser()
        self.view.setAccessibleName(tr("Methods card"))
        self.fill(self.view)
        self.add_button(tr("Write the plan…"), lambda: window.run("plan"))
        self.add_closing().setDefault(True)
        self.view.setHtml(card_html(window.document.session))


def card_html(session: Session) -> str:
    """Return the card for the screen; blanks are named."""
    from html import escape

    from viewer.app.theme import px, theme
    from viewer.publish import story

    look = theme()
    fields = story.card_fields(session, (), {})
    rows = []
    for field in fields:
        tone = look.quiet if field.get("blank") else look.text
        body = "<br>".join(escape(str(line)) for line in field["lines"])
        rows.append(
            f"<tr><td style='color:{look.quiet}; padding: 4px 24px 4px 0px'>{escape(str(field['head']))}</td>"
            f"<td style='color:{tone}; padding: 4px 0px'>{body}</td></tr>"
        )
    title = f"<p style='font-size:{px(22)}px'>{escape(session.title)}</p>"
    return f"<body style='color:{look.text}'>{title}<table>{''.join(rows)}</table></body>"


__all__ = ["CardDialog", "PublishDialog", "card_html", "file_name", "full_publisher", "publish_into"]
