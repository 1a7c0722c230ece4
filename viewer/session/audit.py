"""Were the camera settings the same?  Evidence about each clip is compared setting by setting; nothing is read here.

A setting is *same* only if every clip gives it and all agree, *different* if two clips contradict each other, and *unknown*
otherwise: what no file and no user says is never taken for equal.  Pixels give evidence too, but what they show belongs to
device and camera together; there *different* names the clip that stands out from the others, and a spread without an
outlier is *unknown*.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

State = Literal["same", "different", "unknown"]
Source = Literal["file", "side-car", "typed", "pixels"]

SETTINGS: dict[str, str] = {
    "frame_rate": "Frame rate",
    "shutter": "Shutter",
    "iso": "ISO",
    "aperture": "Aperture",
    "white_balance": "White balance",
    "profile": "Profile",
    "transfer": "Light curve",
    "size": "Picture size",
    "focal_length": "Focal length",
    "range": "Code range",
    "codec": "Codec",
}
PIXELS: dict[str, str] = {
    "level": "Mean level",
    "red_green": "Red / green",
    "blue_green": "Blue / green",
    "noise": "Noise",
    "dark_level": "Level outside the field",
    "dark_noise": "Noise outside the field",
    "clipping": "Clipped share",
    "sharpness": "Sharpness",
}
# Relative differences that pixels of equal settings can show: re-mounting, scene and codec (practice).
TOLERANCE: dict[str, float] = {
    "level": 0.10,
    "red_green": 0.04,
    "blue_green": 0.04,
    "noise": 0.15,
    "dark_level": 0.25,
    "dark_noise": 0.25,
    "clipping": 0.5,
    "sharpness": 0.2,
}
# Clips of several devices taken together: these may differ that much more with the camera untouched (practice).
AMONG_DEVICES = 2.0
NUMBER_TOLERANCE = 0.005
OUTLIER = 5.0
LEAST_CLIPS = 4
# Of several devices more clips are needed, for a device may stand out with the camera untouched.
LEAST_POOLED = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What is known of one setting of one clip: `text` as shown, `value` as compared, and where it comes from."""

    clip: str
    setting: str
    text: str
    value: float | str
    source: Source
    group: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One setting over all clips of a scene.

    ``values`` holds ``(clip, text, source)`` for every clip, text empty where nothing is known; ``odd`` names clips that
    stand out; ``typed`` says that the state rests on the user's word for some clip.
    """

    setting: str
    label: str
    state: State
    sentence: str
    values: tuple[tuple[str, str, str], ...]
    odd: tuple[str, ...] = ()
    typed: bool = False


def same_value(first: float | str, second: float | str) -> bool:
    """Whether two values of a setting are the same: numbers within 0.5 %, words but for case and blanks."""
    if isinstance(first, str) or isinstance(second, str):
        return " ".join(str(first).lower().split()) == " ".join(str(second).lower().split())
    return math.isclose(first, second, rel_tol=NUMBER_TOLERANCE, abs_tol=1e-12)


def compare_setting(setting: str, clips: Sequence[str], evidence: Iterable[Evidence]) -> Row:
    """Compare one stated setting.  What a file says goes before a side-car file, and that before the user's word."""
    order: dict[str, int] = {"file": 0, "side-car": 1, "typed": 2}
    mine = sorted((e for e in evidence if e.setting == setting), key=lambda e: order.get(e.source, 3))
    best: dict[str, Evidence] = {}
    conflicts: list[str] = []
    for item in mine:
        first = best.setdefault(item.clip, item)
        if first is not item and not same_value(first.value, item.value):
            conflicts.append(f"{item.clip}: {first.source} says {first.text}, {item.source} {item.text}")
    values = tuple((clip, best[clip].text, best[clip].source) if clip in best else (clip, "", "") for clip in clips)
    typed = any(item.source == "typed" for item in best.values())
    label = SETTINGS.get(setting, setting)
    groups = _groups(clips, best)
    missing = [clip for clip in clips if clip not in best]
    state, sentence, odd = _judge(clips, best, groups, missing)
    if conflicts:
        state = "different" if state != "unknown" or len(groups) > 1 else "unknown"
        sentence += " Contradiction: " + "; ".join(conflicts) + "."
    if typed:
        whole = all(item.source == "typed" for item in best.values())
        sentence += " Typed by the user, not read from files." if whole else " Some values were typed by the user."
    return Row(setting=setting, label=label, state=state, sentence=sentence.strip(), values=values, odd=odd, typed=typed)


def _groups(clips: Sequence[str], best: dict[str, Evidence]) -> list[list[str]]:
    """Return the clips that agree, the largest group first."""
    groups: list[list[str]] = []
    for clip in clips:
        if clip in best:
            home = next((g for g in groups if same_value(best[g[0]].value, best[clip].value)), None)
            if home is None:
                groups.append([clip])
            else:
                home.append(clip)
    return sorted(groups, key=len, reverse=True)


def _judge(
    clips: Sequence[str], best: dict[str, Evidence], groups: list[list[str]], missing: list[str]
) -> tuple[State, str, tuple[str, ...]]:
    if not best:
        return "unknown", "Nothing is known.", ()
    if len(groups) > 1:
        clear = len(groups[0]) > len(groups[1])
        odd = tuple(clip for group in groups[1:] for clip in group) if clear else ()
        texts = [f"{best[group[0]].text} in {_names(group)}" for group in groups]
        tail = f" Nothing is known of {_names(missing)}." if missing else ""
        return "different", "; ".join(texts) + "." + tail, odd
    if missing or len(clips) < 2:
        known = f"{best[groups[0][0]].text} where known" if groups else ""
        what = f"nothing is known of {_names(missing)}" if missing else "there is one clip only"
        return "unknown", f"{known}; {what}.", ()
    return "same", f"{best[clips[0]].text} in all {len(clips)} clips.", ()


def _names(clips: Sequence[str]) -> str:
    return ", ".join(clips) if len(clips) <= 3 else f"{len(clips)} clips"


def compare_pixels(setting: str, clips: Sequence[str], evidence: Iterable[Evidence]) -> Row:
    """Compare what pixels show.

    Clips of one device are compared with each other first (`group`); where no device has enough takes, all clips of the scene
    are taken together.  A clip stands out if it lies five robust standard deviations and more than the tolerance from the
    middle of the others.
    """
    mine = {e.clip: e for e in evidence if e.setting == setting}
    values = tuple((clip, mine[clip].text, mine[clip].source) if clip in mine else (clip, "", "") for clip in clips)
    label, tolerance = PIXELS.get(setting, setting), TOLERANCE.get(setting, 0.1)
    known = {clip: float(item.value) for clip, item in mine.items()}
    odd, tested = _outliers(known, {clip: item.group for clip, item in mine.items()}, tolerance)
    if odd:
        sentence = f"{_names(odd)} stand{'s' if len(odd) == 1 else ''} out from the others."
        return Row(setting=setting, label=label, state="different", sentence=sentence, values=values, odd=tuple(odd))
    if len(known) < len(clips) or len(clips) < 2:
        return Row(setting=setting, label=label, state="unknown", sentence="Not measured in every clip.", values=values)
    spread = _spread(list(known.values()))
    if spread <= tolerance:
        sentence = f"All within {100 * spread:.0f} %."
        return Row(setting=setting, label=label, state="same", sentence=sentence, values=values)
    why = "no clip stands out" if tested else "too few clips to tell the device from the camera"
    sentence = f"Spread of {100 * spread:.0f} %; {why}."
    return Row(setting=setting, label=label, state="unknown", sentence=sentence, values=values)


def _spread(values: list[float]) -> float:
    """Return the full range over the middle value; 0 for nothing."""
    middle = statistics.median(abs(v) for v in values)
    return (max(values) - min(values)) / middle if middle > 0 else (0.0 if max(values) == min(values) else math.inf)


def _outliers(known: dict[str, float], groups: dict[str, str], tolerance: float) -> tuple[list[str], bool]:
    """Return the clips that stand out, and whether there were enough clips to look."""
    parts: dict[str, list[str]] = {}
    for clip in known:
        parts.setdefault(groups[clip], []).append(clip)
    large = [part for part in parts.values() if len(part) >= LEAST_CLIPS]
    if not large and len(known) >= (LEAST_POOLED if len(parts) > 1 else LEAST_CLIPS):
        large = [list(known)]
    odd: list[str] = []
    for part in large:
        for clip in part:
            others = [known[other] for other in part if other != clip]
            middle = statistics.median(others)
            robust = 1.4826 * statistics.median(abs(v - middle) for v in others)
            mixed = AMONG_DEVICES if len({groups[other] for other in part}) > 1 else 1.0
            floor = mixed * tolerance * abs(middle) / OUTLIER
            if abs(known[clip] - middle) > OUTLIER * max(robust, floor, 1e-12):
                odd.append(clip)
        # More than a third cannot all stand out: then the middle itself is not sure.
        if len(odd) > max(1, len(part) // 3):
            odd = [clip for clip in odd if clip not in part]
    return odd, bool(large)


def audit(clips: Sequence[str], evidence: Sequence[Evidence]) -> tuple[Row, ...]:
    """Return the rows of one scene: every stated setting, then what the pixels show."""
    stated = tuple(compare_setting(setting, clips, evidence) for setting in SETTINGS)
    seen = tuple(
        compare_pixels(setting, clips, evidence) for setting in PIXELS if any(item.setting == setting for item in evidence)
    )
    return stated + seen


def count_words(rows: Iterable[Row]) -> str:
    """Return how many rows are same, different and unknown: ``7 same, 1 different (Shutter), 2 unknown``."""
    rows = list(rows)
    parts = []
    for state in ("same", "different", "unknown"):
        found = [row for row in rows if row.state == state]
        names = f" ({', '.join(row.label for row in found)})" if state == "different" and found else ""
        parts.append(f"{len(found)} {state}{names}")
    return ", ".join(parts)


__all__ = [
    "PIXELS",
    "SETTINGS",
    "Evidence",
    "Row",
    "Source",
    "State",
    "audit",
    "compare_pixels",
    "compare_setting",
    "count_words",
    "same_value",
]
