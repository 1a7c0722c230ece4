"""A blind reading as files: numbered stills for readers, an empty table for their answers, and a key that is kept apart."""

from __future__ import annotations

import json
import math
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from viewer.cv import cv2
from viewer.errors import FileError, UsageError
from viewer.measure.blind import Trial
from viewer.session import store
from viewer.session.model import Clip, Scene, Session
from viewer.tasks.blind_reading import Sitting, machine_limits, prepare, targets_of
from viewer.tasks.document import Result

SCHEMA = "gloaming/blind/1"
SIDE_PX = 480  # of the largest still, about
MOST_FACTOR = 24
SURROUND = 96
MOST_TRIALS = 5000
MOST_BYTES = 10_000_000
TABLE = "answers.csv"
HEAD = "reader,number,resolved"


@dataclass(frozen=True, slots=True)
class Key:
    """What the stills show: trials, names of the devices, and the limits that the statistics found (lp/mm)."""

    trials: tuple[Trial, ...]
    devices: dict[str, str]
    machine: dict[str, float]


def write_stills(
    session: Session,
    folder: Path,
    out: Path,
    key: Path,
    *,
    scene: str | None = None,
    time_s: float | None = None,
    repeats: int = 2,
    near_limit: bool = True,
    seed: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Result:
    """Write stills of bars in random order into a new folder, a table for answers beside them, and the key elsewhere.

    Stills are grey, of equal brightness and size, one for each device and target, each `repeats` times; nothing in them or in
    their names tells device or target.

    Parameters
    ----------
    session, folder : Session, Path
        The session and where its file lies.
    out : Path
        New or empty.
    key : Path
        Outside of `out`.
    scene : str, optional
        Name or id; may be left out where one scene has targets.
    time_s : float, optional
        Scene time; the middle of the first bars that the session asks for, if left out.
    near_limit : bool
        Only targets about the limit of the statistics, where there is one.
    seed : int, optional
        Of the order; drawn anew if left out.

    Returns
    -------
    Result
        No readings; extra ``blind`` {stills, folder, answers, key, time_s}.

    Raises
    ------
    UsageError
        If there is nothing to show, or the key would lie among the stills.
    FileError
        If the folder holds files already, or cannot be written.
    """
    place = _scene(session, scene)
    if out.resolve() in key.resolve().parents:
        raise UsageError("the key must not lie among the stills.", where=str(key), hint="Keep it where no reader looks.")
    moment = _moment(session, place) if time_s is None else time_s
    reading = prepare(
        session,
        folder,
        _first_takes(session, place.id),
        targets_of(session, place.id, near_limit=near_limit),
        moment,
        repeats=repeats,
        seed=secrets.randbelow(2**31) if seed is None else seed,
        progress=progress,
        cancelled=cancelled,
    )
    if len(reading.trials) > MOST_TRIALS:
        raise UsageError(f"{len(reading.trials)} stills are more than a person reads.", hint=f"Stay below {MOST_TRIALS}.")
    _new_folder(out)
    for number, picture in enumerate(_canvases(reading), 1):
        store.write_whole(out / f"{number:03d}.png", _png(picture))
    store.write_whole(out / TABLE, _table(len(reading.trials)).encode())
    devices = {ident: session.device(ident).name for ident in sorted({trial.device for trial in reading.trials})}
    machine = {d: limit for d, limit in machine_limits(session, place.id, moment).items() if d in devices}
    store.write_whole(key, _key_text(Key(reading.trials, devices, machine), place, moment).encode())
    told = {
        "stills": len(reading.trials),
        "folder": str(out),
        "answers": str(out / TABLE),
        "key": str(key),
        "time_s": moment,
    }
    return Result(command="bars", extras={"blind": told})


def _scene(session: Session, wanted: str | None) -> Scene:
    """Return the scene whose bars are to be read."""
    able = [scene for scene in session.scenes if targets_of(session, scene.id, near_limit=False)]
    if wanted is not None:
        able = [scene for scene in able if wanted in (scene.id, scene.name)]
    if len(able) == 1:
        return able[0]
    if not able:
        named = "no scene" if wanted is None else f"no scene {wanted!r}"
        raise UsageError(f"{named} with bar targets is in the session.", hint="Mark bar targets first.")
    names = ", ".join(repr(scene.name) for scene in able)
    raise UsageError(f"several scenes have bar targets: {names}.", hint="Name one with --scene.")


def _first_takes(session: Session, scene: str) -> list[Clip]:
    """Return the first take of each device."""
    found: dict[str, Clip] = {}
    for clip in session.clips_of(scene):
        if clip.device:
            found.setdefault(clip.device, clip)
    return list(found.values())


def _moment(session: Session, scene: Scene) -> float:
    """Return the middle of the span of the first bars that the session asks for in a scene."""
    for request in session.requests:
        if request.scene == scene.id and request.measure == "bars" and request.first_s is not None:
            return request.first_s if request.last_s is None else 0.5 * (request.first_s + request.last_s)
    return 0.0


def _canvases(reading: Sitting) -> list[np.ndarray]:
    """Return the still of each trial: pixels as squares, in the middle of a canvas of one size."""
    largest = max(max(picture.shape) for picture in reading.pictures.values())
    shown = {}
    for what, picture in reading.pictures.items():
        factor = int(np.clip(SIDE_PX // max(picture.shape), 1, MOST_FACTOR))
        shown[what] = np.kron(picture, np.ones((factor, factor), np.uint8))
    side = max(SIDE_PX, largest) + 40
    stills = []
    for trial in reading.trials:
        picture = shown[trial.device, trial.target]
        canvas = np.full((side, side), SURROUND, np.uint8)
        y, x = (side - picture.shape[0]) // 2, (side - picture.shape[1]) // 2
        canvas[y : y + picture.shape[0], x : x + picture.shape[1]] = picture
        stills.append(canvas)
    return stills


def _png(picture: np.ndarray) -> bytes:
    """Return a grey picture as PNG without any note."""
    done, coded = cv2.imencode(".png", picture)
    if not done:
        raise FileError("a still cannot be written as PNG.")
    return bytes(coded)


def _table(count: int) -> str:
    """Return the table that readers fill in."""
    return "\n".join([HEAD, *(f",{number}," for number in range(1, count + 1))]) + "\n"


def _new_folder(out: Path) -> None:
    """Make the folder of the stills."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        taken = any(out.iterdir())
    except OSError as error:
        raise FileError(f"cannot be written ({error.strerror}).", where=str(out), hint="Choose another folder.") from error
    if taken:
        raise FileError("the folder is not empty.", where=str(out), hint="Give a new one, so that no old still mixes in.")


def _key_text(key: Key, scene: Scene, moment: float) -> str:
    trials = [{"number": t.number + 1, "device": t.device, "target": t.target} for t in key.trials]
    document = {
        "schema": SCHEMA,
        "scene": scene.name,
        "time_s": moment,
        "devices": key.devices,
        "machine_lpmm": key.machine,
        "trials": trials,
    }
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_key(path: Path) -> Key:
    """Read a key.

    Raises
    ------
    FileError
        If it cannot be read or is no key.
    """
    document = json_of(path)
    try:
        if document["schema"] != SCHEMA:
            raise ValueError
        devices = {str(ident): str(name) for ident, name in document["devices"].items()}
        machine = {str(ident): float(limit) for ident, limit in document["machine_lpmm"].items()}
        trials = tuple(_trial(row) for row in document["trials"])
        sound = 0 < len(trials) <= MOST_TRIALS and all(t.device in devices for t in trials)
        if not sound or sorted(t.number for t in trials) != list(range(1, len(trials) + 1)):
            raise ValueError
        if not all(math.isfinite(limit) and limit > 0 for limit in machine.values()):
            raise ValueError
    except (TypeError, KeyError, ValueError, AttributeError) as error:
        raise FileError(
            "this is no key of a blind reading.", where=str(path), hint="Give the file that --key wrote."
        ) from error
    return Key(trials, devices, machine)


def _trial(row: Any) -> Trial:
    lpmm = float(str(row["target"]).partition("/")[0])
    if not lpmm > 0 or not math.isfinite(lpmm):
        raise ValueError
    return Trial(int(row["number"]), str(row["number"]), str(row["device"]), str(row["target"]))


def text_of(path: Path) -> str:
    """Return the text of a small file.

    Raises
    ------
    FileError
        If it cannot be read, is no text, or too large.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise FileError("the file is too large for a blind reading.", where=str(path))
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError("the file is no text (UTF-8).", where=str(path)) from error
    except OSError as error:
        if isinstance(error, FileError):
            raise
        raise FileError(f"cannot be read ({error.strerror}).", where=str(path), hint="Check the name.") from error


def json_of(path: Path) -> Any:
    """Return the content of a small JSON file; `FileError` if it is none."""
    try:
        return json.loads(text_of(path))
    except (ValueError, RecursionError) as error:
        raise FileError("the file is no JSON.", where=str(path), hint="Write it again.") from error


__all__ = ["HEAD", "SCHEMA", "TABLE", "Key", "json_of", "read_key", "text_of", "write_stills"]
