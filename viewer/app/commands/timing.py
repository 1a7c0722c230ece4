"""Play, step, loop, markers, nudge."""

from __future__ import annotations

from dataclasses import replace

from viewer.align.transform import ClockMap
from viewer.app.commands.base import Commands
from viewer.app.i18n import parse_number, tr
from viewer.app.said import error_said
from viewer.app.views.ask import ask_text
from viewer.errors import UsageError
from viewer.session.model import Marker, Session, new_id


class TimeCommands(Commands):
    """The Time menu."""

    def do_play(self) -> None:
        """Play or pause."""
        self.player.toggle()

    def do_step_on(self) -> None:
        """One frame on."""
        self.player.step(1)

    def do_step_back(self) -> None:
        """One frame back."""
        self.player.step(-1)

    def do_step_on_10(self) -> None:
        """Ten frames on."""
        self.player.step(10)

    def do_step_back_10(self) -> None:
        """Ten frames back."""
        self.player.step(-10)

    def do_to_start(self) -> None:
        """To the start."""
        self.player.go_to_end(last=False)

    def do_to_end(self) -> None:
        """To the end."""
        self.player.go_to_end(last=True)

    def do_next_step(self) -> None:
        """Next light step or marker."""
        if not self.player.to_landmark(1):
            self.window.say(tr("There is no marker or light step after this moment."))

    def do_previous_step(self) -> None:
        """Previous light step or marker."""
        if not self.player.to_landmark(-1):
            self.window.say(tr("There is no marker or light step before this moment."))

    def do_go_to_time(self) -> None:
        """Ask for a scene time."""
        text = ask_text(self.window, tr("Go to time"), tr("Scene time in s, or minutes:seconds"), "")
        if text:
            try:
                self.player.go(parse_time(text))
            except UsageError as error:
                self.window.say(error_said(error))

    def do_marker(self) -> None:
        """Set a marker here."""
        scene = self.stage.scene
        if scene is None:
            return
        text = ask_text(self.window, tr("Set a marker"), tr("Name"), "")
        if text is not None:
            made = Marker(id=new_id("marker"), scene=scene.id, time_s=round(self.player.time_s, 6), text=text)
            self.document.edit(self.document.session.put(made), tr("Set a marker"))

    def _loop(self, **values: float | None) -> None:
        scene = self.stage.scene
        if scene is not None:
            self.document.edit(self.document.session.put(replace(scene, **values)), tr("Set the loop"))  # type: ignore[arg-type]

    def do_loop_in(self) -> None:
        """Loop starts here."""
        scene = self.stage.scene
        now = round(self.player.time_s, 6)
        if scene is not None and scene.loop_out_s is not None and scene.loop_out_s <= now:
            self._loop(loop_in_s=now, loop_out_s=None)
        else:
            self._loop(loop_in_s=now)

    def do_loop_out(self) -> None:
        """Loop ends here."""
        scene = self.stage.scene
        now = round(self.player.time_s, 6)
        if scene is not None and scene.loop_in_s is not None and scene.loop_in_s >= now:
            self._loop(loop_in_s=None, loop_out_s=now)
        else:
            self._loop(loop_out_s=now)

    def do_loop(self) -> None:
        """Loop, or not."""
        self.player.set_looping(not self.player.looping)

    def do_clear_loop(self) -> None:
        """Forget the loop."""
        self._loop(loop_in_s=None, loop_out_s=None)

    def do_faster(self) -> None:
        """Faster."""
        self.player.change_speed(1)

    def do_slower(self) -> None:
        """Slower."""
        self.player.change_speed(-1)

    def do_sound(self) -> None:
        """Sound on or off."""
        self.window.toggle_sound()

    def do_nudge_back(self) -> None:
        """The selected clip one frame earlier."""
        self._nudge(-1)

    def do_nudge_on(self) -> None:
        """The selected clip one frame later."""
        self._nudge(1)

    def _nudge(self, frames: int) -> None:
        clip = self.stage.lead if self.stage.chosen.kind == "clip" else None
        entry = self.window.engine.clips.get(clip.id) if clip is not None else None
        if clip is None or entry is None or entry.index is None:
            return
        self.document.edit(
            nudged(self.document.session, clip.id, frames * entry.index.interval_s, self.player.scene_time(clip, 0.0)),
            tr("Nudge {name}", name=clip.name),
            merge=f"nudge {clip.id}",
        )


def nudged(session: Session, clip_id: str, by_s: float, offset_s: float) -> Session:
    """Return the session with a clip moved on its scene's clock; `offset_s` is where it stands without a clock map."""
    clip = session.clip(clip_id)
    old = clip.clock or ClockMap(offset_s=offset_s)
    clock = replace(old, offset_s=old.offset_s + by_s, sync_by="hand", offset_low_s=None, offset_high_s=None, residual_s=None)
    return session.put(replace(clip, clock=clock))


def parse_time(text: str) -> float:
    """Return seconds of ``12.5`` or ``1:02.5`` (a comma will do)."""
    head, colon, tail = text.strip().rpartition(":")
    minutes = parse_number(head) if colon else 0.0
    value = parse_number(tail)
    return (abs(minutes) * 60 + value) * (-1 if head.startswith(("-", "−")) else 1)


__all__ = ["TimeCommands", "nudged", "parse_time"]
