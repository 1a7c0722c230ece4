"""How a session stands: what is out of date, worth filming again, or gates; worked out once for each state of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from viewer.app.i18n import tr
from viewer.app.jobs import Jobs
from viewer.app.model.document import Document

T = TypeVar("T")


class Standing:
    """Knows nothing until the statistics are loaded, which takes longer than the GUI thread may be held up.

    `loaded` is called on the GUI thread once they are.
    """

    def __init__(self, document: Document, jobs: Jobs, loaded: Callable[[], None]) -> None:
        self._document, self._jobs, self._loaded = document, jobs, loaded
        self._ready = self._preparing = False
        self._known: dict[str, tuple[tuple[Any, ...], Any]] = {}

    @property
    def sure(self) -> bool:
        """Whether all that can be known of the session is known."""
        return self._ready or not self._document.session.readings

    def out_of_date(self) -> set[str]:
        """Return the ids of readings that no longer fit what they were made from; starts loading if need be."""
        session = self._document.session
        if not session.readings:
            return set()
        if not self._ready:
            self._prepare()
            return set()
        from viewer.tasks.session import out_of_date

        return self._once("out of date", (session,), lambda: out_of_date(session))

    def worst(self) -> tuple[tuple[str, str, int], ...]:
        """Return (scene, device, open comparisons) in the order worth filming again."""
        session = self._document.session
        if not (session.verdicts and self._ready):
            return ()
        from viewer.tasks.repeats import plan_repeats, worst_scenes

        made_of = (session.verdicts, session.readings, session.clips, session.preferences)
        return self._once("worst", made_of, lambda: worst_scenes(plan_repeats(session)))

    def gates(self) -> Mapping[str, tuple[str, ...]]:
        """Return request id -> how fast its devices gate against each other."""
        session = self._document.session
        if not self._ready or not any(request.measure == "flicker" for request in session.requests):
            return {}
        from viewer.tasks.gates import gate_words

        return self._once("gates", (session,), lambda: gate_words(session))

    def _once(self, name: str, made_of: tuple[Any, ...], work: Callable[[], T]) -> T:
        """Do the work unless it was done for these very parts of the session."""
        held = self._known.get(name)
        if held is None or any(one is not two for one, two in zip(held[0], made_of, strict=True)):
            held = self._known[name] = (made_of, work())
        found: T = held[1]
        return found

    def _prepare(self) -> None:
        if self._preparing:
            return
        self._preparing = True

        def work(progress: Any, cancelled: Any) -> None:
            import viewer.tasks.gates
            import viewer.tasks.repeats
            import viewer.tasks.session  # noqa: F401 - loading it is the work

        self._jobs.start(tr("Loading"), work, done=lambda _r: self._done(), quiet=True)

    def _done(self) -> None:
        self._ready = True
        self._loaded()


__all__ = ["Standing"]
