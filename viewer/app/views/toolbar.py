"""The bar above the wall: ways to look, rendering, tools."""

from __future__ import annotations

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QMenu, QToolButton, QWidget

from viewer.app.actions import BY_ID, Actions
from viewer.app.i18n import tr
from viewer.app.icons import icon
from viewer.app.model.stage import Stage
from viewer.app.theme import px
from viewer.app.views.parts import hairline, menu_tool, row, tool

REGION_TOOLS = ("tool_rect", "tool_ellipse", "tool_light", "tool_edge", "tool_bars", "tool_line")
MORE = ("presets", "tool_pair")
NOTE_TOOLS = ("tool_arrow", "tool_box", "tool_oval", "tool_text", "tool_inset", "tool_scale")
RENDERINGS = ("as_filmed", "neutral_grey", "brightness_matched", "false_luminance")


class WallBar(QWidget):
    """Ways to look at the left, tools at the right."""

    def __init__(self, stage: Stage, actions: Actions) -> None:
        super().__init__()
        self.setObjectName("strip")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.stage, self._actions = stage, actions
        self.looks = [tool(actions[name]) for name in ("look_side", "look_split", "look_blink", "look_over", "look_difference")]
        self.rendering = menu_tool(
            tr("As filmed"),
            "image",
            [*(actions[name] for name in RENDERINGS), None, actions["clipped_marks"], actions["circle_dim"]],
            tip=tr("Rendering"),
        )
        self.lens = tool(actions["inset_linked"])
        self.fit = tool(actions["fit"])
        self.select = tool(actions["tool_select"])
        tools = [*(actions[name] for name in REGION_TOOLS), None, *(actions[name] for name in MORE)]
        self.regions = menu_tool(tr("Region"), "square", tools, tip=tr("Draw a region"))
        self.notes = menu_tool(tr("Note"), "arrow-up-right", [actions[name] for name in NOTE_TOOLS], tip=tr("Draw a note"))
        self.measure = tool(actions["add_measure"])
        self.search = tool(actions["actions"])
        line = row(
            *self.looks,
            self._line(),
            self.rendering,
            self._line(),
            self.fit,
            self.lens,
            None,
            self.select,
            self.regions,
            self.notes,
            self._line(),
            self.measure,
            self.search,
            spacing=2,
            margins=(8, 4, 8, 4),
        )
        self.setLayout(line)
        self.setFixedHeight(px(40))
        self._menu_buttons = {
            self.regions: (REGION_TOOLS, "square", tr("Region")),
            self.notes: (NOTE_TOOLS, "arrow-up-right", tr("Note")),
        }
        self.refresh()

    def _line(self) -> QWidget:
        line = hairline(upright=True)
        line.setFixedHeight(20)
        return line

    def refresh(self) -> None:
        """Show which rendering and tool are on."""
        spec = BY_ID[self.stage.rendering]
        self.rendering.setText(tr(spec.text))
        self.rendering.setIcon(icon(spec.icon))
        for button, (tools, plain_icon, plain_text) in self._menu_buttons.items():
            active = next((name for name in tools if name == f"tool_{self.stage.tool}"), None)
            button.setText(tr(BY_ID[active].text) if active else plain_text)
            button.setIcon(icon(BY_ID[active].icon if active else plain_icon))
            button.setProperty("flat", active is None)
            button.style().unpolish(button)
            button.style().polish(button)
        for button in (self.rendering, self.regions, self.notes):
            button.setEnabled(bool(self.stage.clips))
        if self.isVisible():  # before that the width says nothing
            self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        """Show words beside the icons as far as there is room: never half a word."""
        worded = (self.notes, self.regions, self.rendering)  # what goes first
        for button in worded:
            button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        for button in worded:
            if sum(self._needs()) <= self.width():
                return
            button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonIconOnly)

    def _needs(self) -> list[int]:
        """Widths of all parts, with what lies between and around them."""
        parts = self.findChildren(QWidget, options=Qt.FindChildOption.FindDirectChildrenOnly)
        shown = [part for part in parts if not isinstance(part, QMenu)]
        return [16, *(part.sizeHint().width() + 2 for part in shown)]

    def theme_changed(self) -> None:
        """Dress again."""
        self.setFixedHeight(px(40))
        for made in self.findChildren(QToolButton):
            made.setIconSize(QSize(16, 16))
        self.refresh()


__all__ = ["WallBar"]
