"""Which takes to film again, in one short paragraph: the plan of repeats as the report tells it."""

from __future__ import annotations

from collections.abc import Sequence

from viewer.publish.compared import MANY, principal_names
from viewer.publish.words import label
from viewer.session.model import Session
from viewer.tasks.repeats import MOST_TAKES, Repeat, plan_repeats

MOST_SCENES = 3


def repeats_words(session: Session) -> str:
    """Return which repeats would settle most of the open comparisons that carry the report; empty if none is open.

    Of every device in a scene the number of takes is named that settles most for each take more.
    """
    names = principal_names() - set(MANY)
    open_still = [repeat for repeat in plan_repeats(session) if repeat.name in names]
    if not open_still:
        return ""
    groups: dict[tuple[str, str], list[Repeat]] = {}
    for repeat in open_still:
        groups.setdefault((repeat.scene, repeat.device), []).append(repeat)
    offers = [offer for (scene, device), mine in groups.items() if (offer := _best(session, scene, device, mine))]
    never = sum(repeat.enough is None for repeat in open_still)
    parts = [
        f"{_count(len(open_still), 'reading')} in open comparisons {'is' if len(open_still) == 1 else 'are'} too wide to tell."
    ]
    if offers:
        parts.append("Filming again would buy most here: " + "; ".join(_by_scene(session, offers)) + ".")
    if never:
        are = "is" if never == 1 else "are"
        parts.append(
            f"{never} of them {are} out of reach of {MOST_TAKES} takes: longer clips, more light or a finer recording."
        )
    if any(repeat.guessed for repeat in open_still):
        parts.append("Where there is one take, the spread between takes is taken to equal the error within it.")
    return " ".join(parts)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


Offer = tuple[str, str, int, int, int, tuple[str, ...]]


def _best(session: Session, scene: str, device: str, mine: Sequence[Repeat]) -> Offer | None:
    """Return (scene, device, takes now, takes then, readings settled, their names), or None if repeats settle nothing."""
    now = max(repeat.takes for repeat in mine)
    settled = {n: [r for r in mine if r.enough is not None and r.enough <= n] for n in range(now + 1, MOST_TAKES + 1)}
    then = max(settled, key=lambda n: len(settled[n]) / (n - now), default=0)
    if not settled.get(then):
        return None
    return scene, device, now, then, len(settled[then]), tuple(dict.fromkeys(label(r.name) for r in settled[then]))


def _by_scene(session: Session, offers: Sequence[Offer]) -> list[str]:
    """Return one phrase a scene, the most settled first."""
    scenes = list(dict.fromkeys(offer[0] for offer in offers))
    scenes.sort(key=lambda scene: -sum(offer[4] for offer in offers if offer[0] == scene))
    order = {device.id: place for place, device in enumerate(session.devices)}
    told = []
    for scene in scenes[:MOST_SCENES]:
        mine = sorted((offer for offer in offers if offer[0] == scene), key=lambda offer: order[offer[1]])
        devices = ", ".join(f"{session.device(device).name} {then} takes (now {now})" for _, device, now, then, _, _ in mine)
        what = list(dict.fromkeys(name for offer in mine for name in offer[5]))
        settled = sum(offer[4] for offer in mine)
        told.append(f"{session.scene(scene).name}, {devices}, settling about {settled} ({', '.join(what[:3])})")
    return told


__all__ = ["repeats_words"]
