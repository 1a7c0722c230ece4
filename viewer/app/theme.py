"""Three palettes of neutral greys, the bundled fonts, and the style of the parts.

Colour belongs to the data: nothing here has a hue but the dim red theme, which is red throughout so that eyes stay adapted.
"""

# ruff: noqa: E501 - a table reads better in long lines

from __future__ import annotations

from dataclasses import dataclass

from PySide6.QtGui import QColor, QFont, QFontDatabase, QPalette
from PySide6.QtWidgets import QApplication

from viewer.app.i18n import mark
from viewer.errors import FileError
from viewer.resources import resource

WORDS_FAMILY, FIGURES_FAMILY = "Inter", "B612 Mono"
TROUBLE, ATTENTION = "#D55E00", "#F0E442"


@dataclass(frozen=True)
class Theme:
    """The colours of one theme, by role."""

    name: str
    title: str
    surround: str
    window: str
    panel: str
    raised: str
    hairline: str
    strong: str
    text: str
    quiet: str
    disabled: str
    focus: str
    fill: str

    @property
    def dark(self) -> bool:
        """Whether text is lighter than its ground."""
        return QColor(self.text).lightness() > QColor(self.window).lightness()

    @property
    def red(self) -> bool:
        """Whether pictures are shown through red as well."""
        return self.name == "red"


THEMES = {
    "dark": Theme(
        "dark", mark("Dark ground"), "#2b2b2b", "#1a1a1a", "#222222", "#2c2c2c", "#383838", "#5a5a5a", "#ececec", "#b0b0b0", "#707070",
        "#ffffff", "#3d3d3d",
    ),
    "light": Theme(
        "light", mark("Light ground"), "#b8b8b8", "#f4f4f4", "#ffffff", "#ebebeb", "#d6d6d6", "#9a9a9a", "#161616", "#4c4c4c",
        "#8c8c8c", "#000000", "#d9d9d9",
    ),
    "red": Theme(
        "red", mark("Dim red"), "#000000", "#000000", "#0a0000", "#160000", "#2a0000", "#4a0000", "#c01a10", "#8a120b",
        "#4a0a06", "#ff3020", "#2a0000",
    ),
}  # fmt: skip


class _Look:
    """The theme in use and the text scale."""

    theme = THEMES["dark"]
    scale = 1.0
    fonts_loaded = False
    reduced_flicker = False


def theme() -> Theme:
    """Return the theme in use."""
    return _Look.theme


def reduced_flicker() -> bool:
    """Whether motion and blinking are to be kept away from."""
    return _Look.reduced_flicker


def set_reduced_flicker(on: bool) -> None:
    """Set what `reduced_flicker` returns."""
    _Look.reduced_flicker = on


def color(role: str, alpha: int = 255) -> QColor:
    """Return the colour of a role (``text``, ``hairline`` ...) in the theme in use."""
    found = QColor(getattr(_Look.theme, role))
    found.setAlpha(alpha)
    return found


def state_color(state: str) -> QColor:
    """Return the colour of ``trouble`` or ``attention``; in the dim red theme the text colour, so that eyes stay adapted."""
    if _Look.theme.red:
        return color("focus" if state == "trouble" else "text")
    if state == "trouble":
        return QColor(TROUBLE)
    return QColor(ATTENTION) if _Look.theme.dark else QColor("#6b6200")


def px(size: float) -> int:
    """Return a text size in pixels under the text-size setting."""
    return max(1, round(size * _Look.scale))


def _load_fonts() -> None:
    if _Look.fonts_loaded:
        return
    for name in ("Inter-Regular.otf", "Inter-SemiBold.otf", "B612Mono-Regular.otf", "B612Mono-Bold.otf"):
        try:
            QFontDatabase.addApplicationFont(str(resource(f"fonts/{name}")))
        except FileError:
            continue
    _Look.fonts_loaded = True


def words(size: float = 13, *, strong: bool = False) -> QFont:
    """Return the font for words at `size` px (before the text-size setting)."""
    font = QFont(WORDS_FAMILY)
    font.setPixelSize(px(size))
    font.setWeight(QFont.Weight.DemiBold if strong else QFont.Weight.Normal)
    return font


def figures(size: float = 12, *, strong: bool = False) -> QFont:
    """Return the font for numbers and timestamps."""
    # Inter with figures of equal width: the full stops of the fixed-pitch font tear timestamps apart.
    font = words(size, strong=strong)
    font.setFeature(QFont.Tag("tnum"), 1)
    return font


def palette_of(look: Theme) -> QPalette:
    """Return the Qt palette of a theme."""
    roles = QPalette.ColorRole
    palette = QPalette()
    for role, value in (
        (roles.Window, look.window),
        (roles.Base, look.panel),
        (roles.AlternateBase, look.raised),
        (roles.Button, look.raised),
        (roles.ToolTipBase, look.raised),
        (roles.WindowText, look.text),
        (roles.Text, look.text),
        (roles.ButtonText, look.text),
        (roles.ToolTipText, look.text),
        (roles.BrightText, look.focus),
        (roles.PlaceholderText, look.quiet),
        (roles.Highlight, look.fill),
        (roles.HighlightedText, look.text),
        (roles.Link, look.text),
        (roles.LinkVisited, look.quiet),
        (roles.Light, look.strong),
        (roles.Midlight, look.hairline),
        (roles.Mid, look.hairline),
        (roles.Dark, look.hairline),
        (roles.Shadow, look.window),
        (roles.Accent, look.strong),
    ):
        palette.setColor(role, QColor(value))
    for role in (roles.WindowText, roles.Text, roles.ButtonText, roles.HighlightedText):
        palette.setColor(QPalette.ColorGroup.Disabled, role, QColor(look.disabled))
    return palette


def _icon_path(name: str) -> str:
    try:
        return resource(f"icons/{name}.svg").as_posix()
    except FileError:
        return ""


def style_sheet(look: Theme) -> str:
    """Return the style sheet: 4 px corners, one hairline between parts, focus by outline."""
    return f"""
    QWidget {{ font-family: "{WORDS_FAMILY}"; font-size: {px(13)}px; }}
    QMainWindow, QDialog {{ background: {look.window}; }}
    QMainWindow::separator, QSplitter::handle {{ background: {look.hairline}; }}
    QMenuBar {{ background: {look.window}; color: {look.text}; padding: 2px 8px; border-bottom: 1px solid {look.hairline}; }}
    QMenuBar::item {{ padding: 4px 8px; border-radius: 4px; background: transparent; }}
    QMenuBar::item:selected {{ background: {look.fill}; }}
    QMenu {{ background: {look.raised}; color: {look.text}; border: 1px solid {look.strong}; padding: 4px; }}
    QMenu::item {{ padding: 6px 24px 6px 8px; border-radius: 4px; }}
    QMenu::icon {{ padding-left: 8px; }}
    QMenu::item:selected {{ background: {look.fill}; }}
    QMenu::item:disabled {{ color: {look.disabled}; }}
    QMenu::separator {{ height: 1px; background: {look.hairline}; margin: 4px 8px; }}
    QToolTip {{ background: {look.raised}; color: {look.text}; border: 1px solid {look.strong}; padding: 4px 8px; }}
    QPushButton, QToolButton, QComboBox {{ min-height: 26px; border: 1px solid {look.hairline}; border-radius: 4px;
        background: {look.raised}; color: {look.text}; padding: 0px 8px; }}
    QToolButton[flat="true"], QPushButton[flat="true"] {{ border: 1px solid transparent; background: transparent; }}
    QToolButton[tight="true"] {{ padding: 0px 5px; }}
    QToolButton::menu-indicator {{ image: none; width: 0px; }}
    QPushButton:hover, QToolButton:hover, QComboBox:hover {{ border-color: {look.strong}; background: {look.fill}; }}
    QPushButton:pressed, QToolButton:pressed {{ background: {look.hairline}; }}
    QPushButton:checked, QToolButton:checked {{ background: {look.fill}; border-color: {look.strong}; }}
    QPushButton:disabled, QToolButton:disabled, QComboBox:disabled {{ color: {look.disabled}; }}
    QPushButton:focus, QToolButton:focus, QComboBox:focus {{ border: 2px solid {look.focus}; padding: 0px 7px; }}
    QToolButton[tight="true"]:focus {{ padding: 0px 4px; }}
    QPushButton[main="true"] {{ background: {look.text}; color: {look.window}; border-color: {look.text}; font-weight: 600; }}
    QPushButton[main="true"]:hover {{ background: {look.focus}; }}
    QPushButton[main="true"]:disabled {{ background: {look.hairline}; color: {look.disabled}; border-color: {look.hairline}; }}
    QComboBox::drop-down {{ width: 20px; border: none; }}
    QComboBox::down-arrow {{ image: url("{_icon_path(f"chevron-down-{look.name}")}"); width: 12px; height: 12px; }}
    QCheckBox::indicator, QRadioButton::indicator, QAbstractItemView::indicator {{ width: 14px; height: 14px;
        border: 1px solid {look.strong}; border-radius: 3px; background: {look.panel}; }}
    QCheckBox::indicator:checked, QAbstractItemView::indicator:checked {{ background: {look.text}; border-color: {look.text};
        image: url("{_icon_path(f"check-{look.name}")}"); }}
    QCheckBox::indicator:disabled {{ border-color: {look.hairline}; }}
    QCheckBox:focus {{ outline: 2px solid {look.focus}; }}
    QSpinBox::up-button, QSpinBox::down-button {{ width: 0px; border: none; }}
    QComboBox QAbstractItemView {{ background: {look.raised}; border: 1px solid {look.strong}; selection-background-color: {look.fill}; }}
    QLineEdit, QPlainTextEdit, QTextEdit, QSpinBox, QDoubleSpinBox {{ min-height: 26px; border: 1px solid {look.strong};
        border-radius: 4px; background: {look.panel}; color: {look.text}; padding: 0px 6px; selection-background-color: {look.fill};
        selection-color: {look.text}; }}
    QLineEdit:focus, QPlainTextEdit:focus, QTextEdit:focus, QSpinBox:focus {{ border: 2px solid {look.focus}; padding: 0px 5px; }}
    QAbstractSpinBox > QLineEdit, QAbstractSpinBox > QLineEdit:focus {{ min-height: 0px; border: none; padding: 0px; }}
    QLineEdit[bad="true"] {{ border: 2px solid {look.text}; }}
    QCheckBox, QRadioButton {{ spacing: 8px; min-height: 28px; color: {look.text}; }}
    QCheckBox:disabled, QRadioButton:disabled {{ color: {look.disabled}; }}
    QLabel[quiet="true"] {{ color: {look.quiet}; font-size: {px(11)}px; }}
    QLabel[section="true"] {{ font-size: {px(16)}px; font-weight: 600; }}
    QLabel[title="true"] {{ font-size: {px(22)}px; }}
    QLabel[head="true"] {{ font-size: {px(13)}px; font-weight: 600; }}
    QTabWidget::pane {{ border: none; border-top: 1px solid {look.hairline}; }}
    QTabBar {{ background: transparent; }}
    QTabBar::tab {{ padding: 6px 12px; background: transparent; color: {look.quiet}; border-bottom: 2px solid transparent; }}
    QTabBar::tab:selected {{ color: {look.text}; border-bottom: 2px solid {look.text}; }}
    QTabBar::tab:focus {{ border-bottom: 2px solid {look.focus}; }}
    QAbstractItemView {{ background: {look.panel}; color: {look.text}; border: none; outline: none;
        selection-background-color: {look.fill}; selection-color: {look.text}; gridline-color: {look.hairline}; }}
    QListWidget::item {{ padding: 4px; }}
    QTableWidget::item {{ padding: 0px 8px; }}
    QAbstractItemView::item:focus {{ border: 1px solid {look.focus}; }}
    QHeaderView, QHeaderView::section {{ background: {look.panel}; color: {look.quiet}; border: none; padding: 4px 8px;
        font-size: {px(11)}px; }}
    QHeaderView::section {{ border-bottom: 1px solid {look.hairline}; }}
    QScrollArea, QTextBrowser {{ border: none; background: {look.panel}; }}
    QScrollBar {{ background: transparent; border: none; margin: 0px; }}
    QScrollBar:vertical {{ width: 10px; }} QScrollBar:horizontal {{ height: 10px; }}
    QScrollBar::handle {{ background: {look.strong}; border-radius: 3px; margin: 2px; min-height: 24px; min-width: 24px; }}
    QScrollBar::add-line, QScrollBar::sub-line, QScrollBar::add-page, QScrollBar::sub-page {{ background: none; border: none;
        width: 0px; height: 0px; }}
    QProgressBar {{ border: none; background: {look.hairline}; border-radius: 2px; max-height: 4px; min-height: 4px; color: transparent; }}
    QProgressBar::chunk {{ background: {look.text}; border-radius: 2px; }}
    QSlider::groove:horizontal {{ height: 4px; background: {look.hairline}; border-radius: 2px; }}
    QSlider::handle:horizontal {{ width: 12px; margin: -5px 0px; border-radius: 6px; background: {look.text}; }}
    QGroupBox {{ border: none; margin-top: {px(24)}px; font-weight: 600; }}
    QGroupBox::title {{ subcontrol-origin: margin; left: 0px; }}
    #panel {{ background: {look.panel}; }}
    #strip {{ background: {look.window}; border-bottom: 1px solid {look.hairline}; }}
    #bar {{ background: {look.window}; border-top: 1px solid {look.hairline}; }}
    #surround {{ background: {look.surround}; }}
    """


def apply_theme(app: QApplication, name: str = "dark", *, text_percent: int = 100) -> Theme:
    """Dress the application in a theme; views repaint with the new colours by themselves."""
    _load_fonts()
    _Look.theme = THEMES.get(name, THEMES["dark"])
    _Look.scale = min(2.0, max(0.8, text_percent / 100.0))
    if app.style().objectName().lower() != "fusion":
        app.setStyle("Fusion")
    sheet = style_sheet(_Look.theme)
    if app.styleSheet() != sheet:
        app.setPalette(palette_of(_Look.theme))
        app.setFont(words())
        app.setStyleSheet(sheet)
    return _Look.theme


__all__ = [
    "ATTENTION",
    "FIGURES_FAMILY",
    "THEMES",
    "TROUBLE",
    "WORDS_FAMILY",
    "Theme",
    "apply_theme",
    "color",
    "figures",
    "palette_of",
    "px",
    "reduced_flicker",
    "set_reduced_flicker",
    "state_color",
    "style_sheet",
    "theme",
    "words",
]
