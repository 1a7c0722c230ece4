"""Evidence on camera settings: from tags, side-car files, the user's word and the pixels; compared scene by scene."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from viewer.cv import cv2
from viewer.errors import Cancelled, ViewerError
from viewer.measure.readings import Verdict
from viewer.media import ClipReader, open_clip
from viewer.session.audit import Evidence, Row, Source, audit, count_words
from viewer.session.model import CameraMode, Clip, Session
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.document import Result

MOST_SIDECAR_BYTES = 4_000_000
# Where a clip is looked at, as shares of its length; what comes after the last need not be decoded.
PLACES = (0.1, 0.35, 0.6)
# Frames between two looks: up to here decoding on is quicker than seeking, which starts at a key frame.
MOST_DECODED_THROUGH = 150
# Decoding and arithmetic leave the interpreter free: two clips at a time keep two cores busy.
WORKERS = 2
# setting -> what the end of a tag's name looks like, letters and digits only
TAG_NAMES: dict[str, tuple[str, ...]] = {
    "shutter": ("shutterspeed", "shutter", "exposuretime", "shutterspeedtime"),
    "iso": ("iso", "isosensitivity", "photographicsensitivity", "isospeed", "isospeedratings", "isovalue"),
    "aperture": ("aperture", "fnumber", "irisfnumber", "iris"),
    "white_balance": ("whitebalance", "colortemperature", "colourtemperature", "whitebalancekelvin", "wb"),
    "profile": ("pictureprofile", "capturegammaequation", "gamma", "picturestyle", "photostyle", "cameraprofile"),
    "focal_length": ("focallength", "lenszoomactualfocallength", "focallengthmm"),
}


@dataclass(frozen=True, kw_only=True)
class SceneAudit:
    """The audit of one scene."""

    scene: str
    clips: tuple[str, ...]
    rows: tuple[Row, ...]
    troubles: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "scene": self.scene,
            "clips": list(self.clips),
            "rows": [
                {
                    "setting": row.setting,
                    "state": row.state,
                    "sentence": row.sentence,
                    "odd": list(row.odd),
                    "typed": row.typed,
                    "values": [{"clip": clip, "text": text, "source": source} for clip, text, source in row.values],
                }
                for row in self.rows
            ],
            "troubles": list(self.troubles),
        }


# --- what files and users say ------------------------------------------------------------------------------------------


def read_number(text: str) -> float | None:
    """Return the number in ``1/250``, ``f/2.8``, ``5600 K`` or ``25.0 mm``; None if there is none."""
    fraction = re.search(r"(\d+(?:\.\d+)?)\s*/\s*(\d+(?:\.\d+)?)", text)
    if fraction and float(fraction[2]) > 0 and not text.strip().lower().startswith("f/"):
        return float(fraction[1]) / float(fraction[2])
    single = re.search(r"\d+(?:[.,]\d+)?", text)
    return float(single[0].replace(",", ".")) if single else None


def tag_evidence(name: str, tags: Mapping[str, str], source: Source, group: str) -> Iterator[Evidence]:
    """Yield what tags (name -> text) say about the camera."""
    seen: set[str] = set()
    for key, text in tags.items():
        ending = re.split(r"[.:/]", key)[-1]
        plain = re.sub(r"[^a-z0-9]", "", ending.lower())
        for setting, endings in TAG_NAMES.items():
            if setting in seen or plain not in endings or not text.strip():
                continue
            number = read_number(text)
            words = setting in ("white_balance", "profile") and (number is None or setting == "profile")
            value: float | str | None = text.strip() if words else number
            if value is not None:
                seen.add(setting)
                yield Evidence(clip=name, setting=setting, text=text.strip()[:60], value=value, source=source, group=group)


def file_evidence(name: str, clip: ClipReader, group: str = "") -> Iterator[Evidence]:
    """Yield what the clip's own streams and tags say."""
    info = clip.info

    def made(setting: str, text: str, value: float | str) -> Evidence:
        return Evidence(clip=name, setting=setting, text=text, value=value, source="file", group=group)

    rate = float(info.average_rate)
    yield made("frame_rate", f"{rate:.6g} fps", rate)
    yield made("size", f"{info.width} x {info.height}", f"{info.width}x{info.height}")
    if not any(text.startswith("range") for text in info.assumed):
        yield made("range", info.range, info.range)
    depth = f"{info.codec} {info.bit_depth} bit" + (f" {info.chroma}" if info.chroma else "")
    yield made("codec", depth, depth)
    if not any(text.startswith("transfer") for text in info.assumed):
        yield made("transfer", info.transfer, info.transfer)
    yield from tag_evidence(name, info.metadata, "file", group)


def sidecar_evidence(name: str, path: Path, group: str = "") -> Iterator[Evidence]:
    """Yield what a camera's own file beside the clip says (``.xml``, ``.json``, ``.txt`` of the same name)."""
    for ending in (".xml", ".XML", ".json", ".JSON", ".txt", ".TXT"):
        beside = path.with_suffix(ending)
        candidates = [beside, path.with_name(path.stem + "M01" + ending)]
        for file in candidates:
            tags = _read_sidecar(file)
            if tags:
                yield from tag_evidence(name, tags, "side-car", group)
                return


def _read_sidecar(path: Path) -> dict[str, str]:
    try:
        if not path.is_file() or path.stat().st_size > MOST_SIDECAR_BYTES:
            return {}
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return {}
    try:
        if path.suffix.lower() == ".json":
            return dict(_flat(json.loads(text)))
        if path.suffix.lower() == ".xml":
            # Entities are not needed in such a file, and can be used to fill the memory.
            return {} if "<!DOCTYPE" in text else _xml_tags(ET.fromstring(text))
    except (ValueError, ET.ParseError, RecursionError):
        return {}
    pairs = (line.split(":", 1) if ":" in line else line.split("=", 1) for line in text.splitlines())
    return {pair[0].strip(): pair[1].strip() for pair in pairs if len(pair) == 2}


def _flat(value: Any, name: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _flat(item, str(key))
    elif isinstance(value, list):
        for item in value:
            yield from _flat(item, name)
    elif isinstance(value, str | int | float) and not isinstance(value, bool):
        yield name, str(value)


def _xml_tags(root: ET.Element) -> dict[str, str]:
    tags: dict[str, str] = {}
    for element in root.iter():
        name = element.tag.rsplit("}", 1)[-1]
        if element.text and element.text.strip():
            tags.setdefault(name, element.text.strip())
        if "name" in element.attrib and "value" in element.attrib:
            tags.setdefault(element.attrib["name"], element.attrib["value"])
        for key, text in element.attrib.items():
            tags.setdefault(key.rsplit("}", 1)[-1], text)
    return tags


def typed_evidence(name: str, camera: CameraMode, group: str = "") -> Iterator[Evidence]:
    """Yield what the user typed."""
    items: list[tuple[str, float | str | None, str]] = [
        ("shutter", camera.shutter_s, _shutter(camera.shutter_s)),
        ("iso", camera.iso, f"ISO {camera.iso:g}" if camera.iso else ""),
        ("aperture", camera.aperture, f"f/{camera.aperture:g}" if camera.aperture else ""),
        ("focal_length", camera.focal_length_mm, f"{camera.focal_length_mm:g} mm" if camera.focal_length_mm else ""),
        ("white_balance", _kelvin(camera.white_balance), camera.white_balance or ""),
        ("profile", camera.profile, camera.profile or ""),
    ]
    for setting, value, text in items:
        if value is not None and text:
            yield Evidence(clip=name, setting=setting, text=text, value=value, source="typed", group=group)


def _kelvin(text: str | None) -> float | str | None:
    """Return a white balance as a number where it is one in kelvin, so that it compares with a tag."""
    if not text:
        return None
    number = read_number(text)
    return number if number is not None and number >= 1000 else text


def _shutter(seconds: float | None) -> str:
    if not seconds:
        return ""
    return f"1/{round(1 / seconds)} s" if seconds < 0.3 else f"{seconds:.3g} s"


# --- what pixels say -----------------------------------------------------------------------------------------------


def pixel_evidence(
    name: str, clip: ClipReader, *, circle: Any = None, group: str = "", cancelled: Callable[[], bool] | None = None
) -> Iterator[Evidence]:
    """Yield level, channel ratios, noise, clipping and sharpness of a clip, from three pairs of frames."""
    found: dict[str, list[float]] = {}
    for pair in _pairs(clip, cancelled):
        for key, value in _look(pair, circle).items():
            found.setdefault(key, []).append(value)
    for key, values in found.items():
        value = float(np.median(values))
        text = f"{100 * value:.2f} %" if key == "clipping" else f"{value:.4g}"
        # Shares are compared as one plus the share, so that a trace of clipping is no difference to none at all.
        yield Evidence(
            clip=name,
            setting=key,
            text=text,
            value=1.0 + 20.0 * value if key == "clipping" else value,
            source="pixels",
            group=group,
        )


def _pairs(clip: ClipReader, cancelled: Callable[[], bool] | None) -> Iterator[list[Any]]:
    """Yield the light of neighbouring frames at three places; short ways are decoded through rather than sought again."""
    total = len(clip.index)
    starts = sorted({min(max(0, total - 2), round(total * part)) for part in PLACES})
    runs: list[list[int]] = []
    for start in starts:
        if runs and start - runs[-1][-1] <= MOST_DECODED_THROUGH:
            runs[-1].append(start)
        else:
            runs.append([start])
    for run in runs:
        wanted = {start + step for start in run for step in (0, 1) if start + step < total}
        pair: list[Any] = []
        for frame in clip.frames(run[0], min(total, run[-1] + 2), cancelled=cancelled):
            if frame.number in wanted:
                pair.append(frame.rgb())
            if pair and (len(pair) == 2 or frame.number + 1 not in wanted):
                yield pair
                pair = []


def _look(pair: Sequence[Any], circle: Any) -> dict[str, float]:
    light = pair[0].light.astype(np.float32)
    rows, cols = light.shape[:2]
    inside, outside = _masks(rows, cols, circle)
    luminance = light @ np.array([0.25, 0.65, 0.10], np.float32)
    means = [float(light[..., n][inside].mean()) for n in range(3)]
    found = {"level": float(luminance[inside].mean()), "clipping": float(pair[0].clipped[inside].mean())}
    if means[1] > 1e-5:
        found["red_green"], found["blue_green"] = means[0] / means[1], means[2] / means[1]
    change = (pair[-1].light - pair[0].light) @ np.array([0.25, 0.65, 0.10], np.float32)
    if found["level"] > 1e-5:
        found["sharpness"] = _sharpness(luminance, change, inside) / found["level"]
    if len(pair) > 1:
        if found["level"] > 1e-5:
            found["noise"] = _robust(change[inside]) / found["level"]
        if outside.sum() >= 64:
            found["dark_noise"] = max(_robust(change[outside]), 1e-5)
    if outside.sum() >= 64:
        found["dark_level"] = max(float(np.median(luminance[outside])), 1e-4)
    return found


def _sharpness(luminance: np.ndarray, change: np.ndarray, inside: np.ndarray) -> float:
    """Return the root mean square of fine detail that stays from one frame to the next.

    Grain looks like detail: the mean of two frames holds the detail and half of the grain's power, their half difference just
    that half, which is taken off.
    """

    def detail(picture: np.ndarray) -> float:
        fine = cv2.Laplacian(cv2.GaussianBlur(picture, (0, 0), 1.0), cv2.CV_32F)
        return float(np.mean(fine[inside] ** 2))

    return float(np.sqrt(max(0.0, detail(luminance + 0.5 * change) - detail(0.5 * change))))


def _robust(change: np.ndarray) -> float:
    """Return the noise of one frame from the difference of two, by the median."""
    return float(1.4826 * np.median(np.abs(change - np.median(change))) / np.sqrt(2.0))


def _masks(rows: int, cols: int, circle: Any) -> tuple[np.ndarray, np.ndarray]:
    """Return where the field is, and the corners outside it (where only the camera speaks)."""
    y, x = np.arange(rows, dtype=np.float32)[:, None], np.arange(cols, dtype=np.float32)[None, :]
    if circle is not None:
        square = (x - circle.cx) ** 2 + (y - circle.cy) ** 2
        return square < (0.85 * circle.radius) ** 2, square > (1.12 * circle.radius) ** 2
    square = ((x - cols / 2) / (cols / 2)) ** 2 + ((y - rows / 2) / (rows / 2)) ** 2
    return square < 0.6**2, np.zeros((rows, cols), bool)


# --- scenes --------------------------------------------------------------------------------------------------------


def audit_clips(
    paths: Sequence[Path],
    *,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> SceneAudit:
    """Audit loose clips as one scene.

    Raises
    ------
    MediaError
        If none of them can be read; the trouble of a single one stands in `troubles`.
    """
    names = _unique([path.name for path in paths])
    evidence: list[Evidence] = []
    troubles: list[str] = []
    fault: ViewerError | None = None
    for number, (name, path) in enumerate(zip(names, paths, strict=True)):
        try:
            with open_clip(path) as clip:
                evidence += [*file_evidence(name, clip), *sidecar_evidence(name, path)]
                evidence += pixel_evidence(name, clip, cancelled=cancelled)
        except Cancelled:
            raise
        except ViewerError as error:
            troubles.append(str(error))
            fault = fault or error
        if progress:
            progress(number + 1, len(paths))
    if fault is not None and len(troubles) == len(paths):
        raise fault
    return SceneAudit(scene="clips", clips=tuple(names), rows=audit(names, evidence), troubles=tuple(troubles))


def _unique(names: Sequence[str]) -> list[str]:
    return [name if names.count(name) == 1 else f"{name} ({n + 1})" for n, name in enumerate(names)]


def audit_session(
    session: Session,
    folder: Path,
    *,
    allow_outside: bool = False,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[SceneAudit, ...]:
    """Audit every scene of a session that holds device clips.  A clip that cannot be read is named; the rest goes on."""
    clips = [clip for scene in session.scenes for clip in session.clips_of(scene.id)]
    names = dict(zip([clip.id for clip in clips], _unique([clip.name for clip in clips]), strict=True))

    def look(entry: Clip) -> tuple[list[Evidence], str]:
        return _of_clip(entry, names[entry.id], folder, allow_outside, cancelled)

    found: dict[str, tuple[list[Evidence], str]] = {}
    with ThreadPoolExecutor(WORKERS) as pool:
        waiting = [pool.submit(look, entry) for entry in clips]
        try:
            for number, (entry, future) in enumerate(zip(clips, waiting, strict=True)):
                found[entry.id] = future.result()
                if progress:
                    progress(number + 1, len(clips))
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise
    made = []
    for scene in session.scenes:
        mine = session.clips_of(scene.id)
        if not mine:
            continue
        labels = [names[entry.id] for entry in mine]
        evidence = [item for entry in mine for item in found[entry.id][0]]
        troubles = tuple(found[entry.id][1] for entry in mine if found[entry.id][1])
        made.append(SceneAudit(scene=scene.name, clips=tuple(labels), rows=audit(labels, evidence), troubles=troubles))
    return tuple(made)


def _of_clip(
    entry: Clip, name: str, folder: Path, allow_outside: bool, cancelled: Callable[[], bool] | None
) -> tuple[list[Evidence], str]:
    """Return all evidence on one clip of a session, and the trouble there was."""
    if cancelled and cancelled():
        raise Cancelled
    group = entry.device or ""
    evidence = list(typed_evidence(name, entry.camera, group))
    try:
        with open_session_clip(folder, entry, allow_outside=allow_outside) as clip:
            evidence += [*file_evidence(name, clip, group), *sidecar_evidence(name, clip.info.path, group)]
            evidence += pixel_evidence(name, clip, circle=entry.circle, group=group, cancelled=cancelled)
    except Cancelled:
        raise
    except ViewerError as error:
        return evidence, str(error)
    return evidence, ""


def audit_result(scenes: Sequence[SceneAudit]) -> Result:
    """Return the result document of an audit; extras ``scenes``: rows with state, sentence and values per clip."""
    rows = [row for scene in scenes for row in scene.rows]
    different = [f"{row.label} in {scene.scene}" for scene in scenes for row in scene.rows if row.state == "different"]
    if different:
        verdict = Verdict("different", f"Different: {'; '.join(different)}.")
    elif any(row.state == "unknown" for row in rows):
        verdict = Verdict("unknown", f"No difference was found, but not everything is known: {count_words(rows)}.")
    else:
        verdict = Verdict("same", "Every setting that was looked at is the same.")
    return Result(
        command="audit",
        verdict=verdict if rows else None,
        warnings=tuple(text for scene in scenes for text in scene.troubles),
        extras={"scenes": [scene.to_json() for scene in scenes]},
    )


__all__ = ["SceneAudit", "audit_clips", "audit_result", "audit_session", "read_number"]
