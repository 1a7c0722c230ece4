"""Find an action, the sheet of keys, the manual, about."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, QUrl
from PySide6.QtGui import QKeyEvent, QTextBlockFormat, QTextCursor, QTextDocument
from PySide6.QtWidgets import QComboBox, QLineEdit, QListWidget, QListWidgetItem, QTextBrowser

from viewer import __version__
from viewer.app.actions import MENUS, SPECS, keys_words
from viewer.app.i18n import language, tr
from viewer.app.icons import icon
from viewer.app.theme import px, theme
from viewer.app.views.dialog import Dialog, quiet
from viewer.app.views.parts import label
from viewer.errors import FileError
from viewer.resources import resource

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


def matches(words: str, *texts: str) -> bool:
    """Whether every word begins or lies in one of the texts."""
    hay = " ".join(texts).casefold()
    return all(word in hay for word in words.casefold().split())


class ActionList(Dialog):
    """Type a word, press Return."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Find an action"), size=(560, 460))
        self.words = QLineEdit()
        self.words.setPlaceholderText(tr("What do you want to do?"))
        self.words.setAccessibleName(tr("What do you want to do?"))
        self.list = QListWidget()
        self.list.setAccessibleName(tr("Actions"))
        self.list.setUniformItemSizes(True)
        self.words.textChanged.connect(lambda _t: self.refresh())
        self.words.returnPressed.connect(self.go)
        self.list.itemActivated.connect(lambda _i: self.go())
        self.fill(self.words, self.list)
        self.refresh()
        self.words.setFocus()

    def refresh(self) -> None:
        """List what fits; what cannot be done now comes last."""
        self.list.clear()
        acts = self.window_.actions_
        fitting = [
            s for s in SPECS if s.id != "actions" and matches(self.words.text(), tr(s.text), tr(s.tip), tr(s.menu), s.text)
        ]
        fitting.sort(key=lambda s: not acts[s.id].isEnabled())
        for spec in fitting:
            keys = keys_words(spec)
            text = tr(spec.text) + (f"    {keys}" if keys else "")
            item = QListWidgetItem(icon(spec.icon) if spec.icon else icon("chevron-right", "quiet"), text)
            item.setData(Qt.ItemDataRole.UserRole, spec.id)
            item.setToolTip(tr(spec.tip))
            if not acts[spec.id].isEnabled():
                item.setFlags(item.flags() & ~Qt.ItemFlag.ItemIsEnabled)
            self.list.addItem(item)
        if self.list.count():
            self.list.setCurrentRow(0)

    def go(self) -> None:
        """Do the chosen action."""
        item = self.list.currentItem()
        if item is None or not item.flags() & Qt.ItemFlag.ItemIsEnabled:
            return
        ident = item.data(Qt.ItemDataRole.UserRole)
        self.accept()
        self.window_.run(ident)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Down, Qt.Key.Key_Up):
            step = 1 if event.key() == Qt.Key.Key_Down else -1
            self.list.setCurrentRow(max(0, min(self.list.count() - 1, self.list.currentRow() + step)))
        else:
            super().keyPressEvent(event)


def _page_style() -> str:
    look = theme()
    return (
        f"body {{ color: {look.text}; }} h1 {{ font-size: {px(22)}px; font-weight: 400; }} h2 {{ font-size: {px(16)}px; }}"
        f" td {{ padding: 2px 16px 2px 0px; }} a {{ color: {look.text}; }} code {{ font-family: 'B612 Mono'; }}"
        f" .quiet {{ color: {look.quiet}; }}"
    )


class KeySheet(Dialog):
    """All keys, made from the list of actions."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Keys"), size=(720, 640))
        view = QTextBrowser()
        view.document().setDefaultStyleSheet(_page_style())
        view.setHtml(sheet_html())
        view.setAccessibleName(tr("Keys"))
        self.fill(view)
        self.add_closing().setDefault(True)


def sheet_html() -> str:
    """Return the keys as two columns of tables."""
    columns: list[list[str]] = [[], []]
    lengths = [0, 0]
    for menu in MENUS:
        specs = [spec for spec in SPECS if spec.menu == menu and spec.keys]
        if not specs:
            continue
        rows = "".join(f"<tr><td class='quiet'>{keys_words(s)}</td><td>{tr(s.text).rstrip('…')}</td></tr>" for s in specs)
        side = 0 if lengths[0] <= lengths[1] else 1
        lengths[side] += len(specs) + 3
        columns[side].append(f"<h2>{tr(menu)}</h2><table>{rows}</table>")
    cells = "".join(f"<td width='50%'>{''.join(column)}</td>" for column in columns)
    return f"<body><table width='100%'><tr>{cells}</tr></table></body>"


class Manual(Dialog):
    """The offline manual: pages of plain words."""

    def __init__(self, window: MainWindow, page: str) -> None:
        super().__init__(window, tr("Manual"), size=(860, 680))
        self.choice = QComboBox()
        self.choice.setAccessibleName(tr("Page"))
        self.view = _Page()
        self.view.setOpenLinks(False)
        self.view.setAccessibleName(tr("Manual"))
        self.view.document().setDefaultStyleSheet(_page_style())
        self.view.anchorClicked.connect(self._follow)
        self.pages = manual_pages()
        for name, title in self.pages:
            self.choice.addItem(title, name)
        self.choice.activated.connect(lambda _n: self.open(self.choice.currentData()))
        self.fill(self.choice, self.view)
        self.add_closing().setDefault(True)
        self.open(page)

    def open(self, page: str = "") -> None:
        """Show a page; the contents if there is none of that name."""
        names = [name for name, _ in self.pages]
        page = page if page in names else ("index" if "index" in names else (names[0] if names else ""))
        self.choice.setCurrentIndex(max(0, self.choice.findData(page)))
        text = manual_text(page)
        self.view.setMarkdown(text)
        _space_out(self.view.document())
        self.view.moveCursor(self.view.textCursor().MoveOperation.Start)

    def _follow(self, link: QUrl) -> None:
        name = Path(link.path()).stem
        if link.isRelative() and name in [page for page, _ in self.pages]:
            self.open(name)


def _space_out(document: QTextDocument) -> None:
    """Give paragraphs room: 1.4 lines, a gap below each, more above headings."""
    block = document.begin()
    while block.isValid():
        cursor = QTextCursor(block)
        form = block.blockFormat()
        form.setLineHeight(140, QTextBlockFormat.LineHeightTypes.ProportionalHeight.value)
        form.setTopMargin(16 if form.headingLevel() else 0)
        form.setBottomMargin(2 if cursor.currentTable() is not None else 8)
        cursor.setBlockFormat(form)
        block = block.next()


class _Page(QTextBrowser):
    """Text that never reaches outside the manual."""

    def loadResource(self, kind: int, name: QUrl | str) -> object:
        if kind == QTextDocument.ResourceType.ImageResource.value:
            return None
        return super().loadResource(kind, name)


def manual_pages() -> list[tuple[str, str]]:
    """Return (name, title) of every page; the contents first."""
    try:
        folder = resource("manual")
    except FileError:
        return []
    pages = []
    for path in sorted(folder.glob("*.md")):
        if "." in path.stem:
            continue
        first = manual_text(path.stem).lstrip().splitlines()[:1]
        pages.append((path.stem, first[0].lstrip("# ").strip() if first else path.stem))
    return sorted(pages, key=lambda page: (page[0] != "index", page[0] != "window", page[1]))


def manual_text(name: str) -> str:
    """Return a page in the user's language where there is one, else in English."""
    for ending in (f".{language()}.md", ".md"):
        try:
            return resource(f"manual/{name}{ending}").read_text(encoding="utf-8")
        except FileError:
            continue
    return tr("This page is missing.")


class AboutDialog(Dialog):
    """Name, version, licence."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("About Gloaming"), size=(480, 320))
        text = tr("Line up, watch, measure and publish footage filmed through night-vision devices.")
        rights = tr("Free software under the GNU General Public License, version 3 or later. Works offline; sends nothing.")
        care = tr("Fonts: Inter and B612 (OFL-1.1). Icons: Lucide (ISC). Device colours: Okabe and Ito.")
        self.fill(label(f"Gloaming {__version__}", kind="title"), label(text, wrap=True), quiet(rights), quiet(care), None)
        self.add_closing().setDefault(True)


__all__ = ["AboutDialog", "ActionList", "KeySheet", "Manual", "manual_pages", "manual_text", "matches", "sheet_html"]
