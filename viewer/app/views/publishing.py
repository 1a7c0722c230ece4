"""Publish: what is written and where, with the cautions; and the methods card before it is printed."""

# ruff: noqa: E501 - texts and tables

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtWidgets import QCheckBox, QComboBox, QLineEdit, QTextBrowser, QWidget

from viewer.app.i18n import mark, tr, trn
from viewer.app.said import said
from viewer.app.views import ask
from viewer.app.views.dialog import Dialog, quiet
from viewer.app.views.parts import button, column, label, row
from viewer.session.model import Session

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

CAUTIONS = (
    mark("Blinking and gating bands can harm photosensitive viewers: look at the flash scan before you publish footage. It is no medical clearance."),
    mark("Check local law before publishing device data. What is shown is no advice for driving, flying or aiming."),
    mark("Places, faces and plates may be recognised: look at every still once more. Metadata of the sources is not copied."),
)  # fmt: skip


PRODUCTS: dict[str, tuple[str, bool]] = {
    "stills": (mark("Stills (sRGB)"), True),
    "blink": (mark("Blinking stills: the devices in turn, a second each (animated PNG and WebP)"), True),
    "card": (mark("Methods card"), True),
    "report": (mark("Report (HTML and PDF)"), True),
    "readings": (mark("Readings (CSV and JSON, decimal points)"), True),
    "audit": (mark("Camera settings compared"), True),
    "manifest": (mark("Manifest: others can make the numbers again"), True),
    "footage": (mark("Side-by-side video, read back and scanned for flashes (takes long)"), False),
}


FORMS = {"png": "PNG", "tif": "TIFF", "jpg": "JPEG"}


class PublishDialog(Dialog):
    """Choose products and a folder; the work runs in the background."""

    manual_page = "publishing"

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Publish"), size=(640, 680))
        session = window.document.session
        self.folder = QLineEdit(str(window.document.folder / "published"))
        self.folder.setAccessibleName(tr("Folder"))
        self.products = {key: QCheckBox(tr(text)) for key, (text, _) in PRODUCTS.items()}
        for key, box in self.products.items():
            box.setChecked(PRODUCTS[key][1])
        self.products["readings"].setEnabled(bool(session.readings))
        self.form = QComboBox()
        for key, text in FORMS.items():
            self.form.addItem(text, key)
        self.form.setAccessibleName(tr("Format of the stills"))
        self.form.activated.connect(lambda _n: self._form_chosen())
        self.deep = QCheckBox(tr("16 bits a channel"))
        place = QWidget()
        place.setLayout(row(self.folder, button(tr("Choose…"), self._choose)))
        parts: list[QWidget | int | None] = [label(tr("Where to"), kind="head"), place, label(tr("What"), kind="head")]
        boxes = QWidget()
        boxes.setLayout(column(*self.products.values(), spacing=0))
        kind = QWidget()
        kind.setLayout(row(label(tr("Format of the stills")), self.form, self.deep, None))
        parts += [boxes, kind]
        open_steps = [step.text for step in window.next_steps()]
        if open_steps:
            parts += [label(tr("Still missing for a fair comparison"), kind="head"), quiet("\n".join(open_steps[:5]))]
        parts += [label(tr("Cautions"), kind="head"), quiet("\n".join(tr(text) for text in CAUTIONS)), None]
        self.fill(*parts)
        self.add_button(tr("Look at the card"), lambda: window.run("card"))
        self.add_button(tr("Cancel"), self.reject)
        self.add_button(tr("Publish"), self.go, main=True)

    def _choose(self) -> None:
        folder = ask.choose_folder(self, tr("Folder"), Path(self.folder.text()).parent)
        if folder is not None:
            self.folder.setText(str(folder))

    def _form_chosen(self) -> None:
        """Only PNG is written with 16 bits by choice."""
        self.deep.setEnabled(self.form.currentData() == "png")

    def go(self) -> None:
        """Start, and close."""
        window = self.window_
        session, base, folder = window.document.session, window.document.folder, Path(self.folder.text().strip())
        wanted = [key for key, box in self.products.items() if box.isChecked() and box.isEnabled()]
        bits, results = 16 if self.deep.isChecked() and self.deep.isEnabled() else 8, dict(window.results)
        form = str(self.form.currentData())
        if not wanted or not self.folder.text().strip():
            return

        faults: list[str] = []

        def work(progress: Any, cancelled: Any) -> tuple[Path, ...]:
            from viewer.publish.everything import publish_session

            return publish_session(
                session,
                base,
                folder,
                only=wanted,
                bits=bits,
                form=form,
                results=results,
                faults=faults,
                progress=progress,
                cancelled=cancelled,
            )

        def done(files: tuple[Path, ...]) -> None:
            written = trn("{n} file written to {folder}.", "{n} files written to {folder}.", len(files), folder=folder)
            if faults:
                more = "" if len(faults) == 1 else " " + trn("{n} more like it.", "{n} more like it.", len(faults) - 1)
                window.trouble(f"{written} {said(faults[0])}{more}")
            elif "footage" in wanted:
                window.say(written + " " + tr("The videos were read back without faults."))
            else:
                window.say(written)

        window.jobs.start(tr("Publishing"), work, done=done)
        self.accept()


class CardDialog(Dialog):
    """The card as it stands, blanks included."""

    manual_page = "publishing"

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


__all__ = ["PRODUCTS", "CardDialog", "PublishDialog", "card_html"]
