"""What folders and file names tell of recordings: device, scene, kind, take, role, parts of one recording."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from viewer.session.model import ClipRole, SceneKind, Session

ENDINGS = frozenset(
    [
        ".mp4",
        ".mov",
        ".m4v",
        ".mkv",
        ".webm",
        ".avi",
        ".mts",
        ".m2ts",
        ".ts",
        ".mpg",
        ".mpeg",
        ".mxf",
        ".3gp",
        ".wmv",
        ".ogv",
        ".y4m",
    ]
)
MOST_FILES = 2000

KIND_WORDS: dict[SceneKind, tuple[str, ...]] = {
    "chart": ("chart", "charts", "bars", "bar", "tribar", "box", "lightbox", "resolution", "usaf", "tafel", "balken"),
    "screen": ("screen", "monitor", "display", "bildschirm", "laptop", "office"),
    "lamps": ("lamp", "lamps", "light", "lights", "street", "quay", "halo", "bloom", "lampe", "lampen", "laternen", "kai"),
    "edge": ("edge", "tree", "trees", "treeline", "reed", "reeds", "sky", "horizon", "kante", "baum", "himmel", "schilf"),
    "figure": ("figure", "person", "man", "walker", "slipway", "wood", "forest", "wald", "figur", "person", "mensch"),
}
ROLE_WORDS: dict[ClipRole, tuple[str, ...]] = {
    "source": ("source", "nodevice", "bare", "quelle"),
    "camera": ("camera", "cameraonly", "kamera"),
    "flat": ("flat", "flatfield", "flach"),
    "dark": ("dark", "cap", "capped", "black", "dunkel"),
    "exposure": ("exposure", "bracket", "bracketed", "belichtung"),
}
NOISE_WORDS = frozenset(
    [
        "clip",
        "clips",
        "video",
        "videos",
        "mov",
        "movie",
        "footage",
        "take",
        "takes",
        "raw",
        "rec",
        "card",
        "dcim",
        "private",
        "camera1",
        "the",
        "of",
        "at",
        "with",
        "and",
        "new",
        "copy",
        "final",
        "night",
        "session",
        "day",
        "hlg",
        "hdr",
        "log",
        "1080p",
        "2160p",
        "4k",
        "uhd",
        "fhd",
        "25p",
        "30p",
        "50p",
        "60p",
        "100p",
        "120p",
        "25fps",
        "30fps",
        "50fps",
        "60fps",
        "100fps",
        "120fps",
    ]
)
_TAKE = re.compile(r"^(?:t|take|tk)[ _-]?0*(\d{1,3})$")
_PART = re.compile(r"^(?:part|p|teil)0*(\d{1,2})$|^0*(\d{1,2})of0*\d{1,2}$")
# Numbered files, and folders as cameras make them: three digits and five characters (the DCF rule of JEITA CP-3461).
_NUMBERED = re.compile(r"^[a-z]{0,5}\d{3,}[a-z]?$|^\d+$|^\d{3}[a-z0-9_]{5}$")


@dataclass(frozen=True)
class Proposal:
    """One clip to be: its files in order, and what was guessed.  `sure` when every guess rests on a name that is known."""

    paths: tuple[Path, ...]
    device: str = ""
    scene: str = ""
    kind: SceneKind = "other"
    take: int = 1
    role: ClipRole = "device"
    keep: bool = True


def find_clips(paths: Iterable[Path]) -> list[Path]:
    """Return the recordings among files and folders (folders are searched), in natural order."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            for inner in sorted(path.rglob("*")):
                if inner.suffix.lower() in ENDINGS and inner.is_file() and not inner.name.startswith("."):
                    found.append(inner)
                if len(found) >= MOST_FILES:
                    break
        elif path.suffix.lower() in ENDINGS:
            found.append(path)
    return sorted(dict.fromkeys(found), key=natural)


def natural(path: Path) -> list[tuple[int, int | str]]:
    """Return a sort key that puts clip 2 before clip 10."""
    return [(0, int(t)) if t.isdigit() else (1, t.casefold()) for t in re.split(r"(\d+)", str(path)) if t]


def _tokens(text: str) -> list[str]:
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    return [t.casefold() for t in re.split(r"[\s_\-.,()+&]+", spaced) if t]


def kind_of_name(name: str) -> SceneKind:
    """Return the kind of scene that the words of a name tell, ``other`` if none does."""
    kinds = [_kind_of(word) for word in re.findall(r"[^\W_]+", name.casefold())]
    return next((kind for kind in reversed(kinds) if kind is not None), "other")


def _kind_of(token: str) -> SceneKind | None:
    for kind, names in KIND_WORDS.items():
        if token in names:
            return kind
    return None


def _role_of(token: str) -> ClipRole | None:
    for role, names in ROLE_WORDS.items():
        if token in names:
            return role
    return None


@dataclass
class _Parsed:
    """What the name of one file says."""

    path: Path
    folders: list[list[str]]
    stem: list[str]
    take: int | None = None
    part: int | None = None
    role: ClipRole = "device"
    kind: SceneKind | None = None
    scene: str = ""
    device: str = ""

    @property
    def words(self) -> list[str]:
        """All words, outer folders first."""
        return [word for folder in self.folders for word in folder] + self.stem


def _parse(path: Path, root: Path) -> _Parsed:
    try:
        folders = list(path.parent.relative_to(root).parts)
    except ValueError:
        folders = [path.parent.name]
    parsed = _Parsed(path, [_tokens(folder) for folder in folders], _tokens(path.stem))
    rest: list[str] = []
    previous = ""
    for token in parsed.stem:
        take, part = _TAKE.match(token), _PART.match(token)
        if take:
            parsed.take = int(take[1])
        elif part:
            parsed.part = int(part[1] or part[2])
        elif previous in ("take", "tk") and token.isdigit():
            parsed.take = int(token)
        elif previous in ("part", "teil") and token.isdigit():
            parsed.part = int(token)
        else:
            rest.append(token)
        previous = token
    parsed.stem = rest
    for word in parsed.words:
        role = _role_of(word)
        if role is not None:
            parsed.role = role
    return parsed


def _common_root(paths: Sequence[Path]) -> Path:
    parents = [path.parent for path in paths]
    root = parents[0]
    for parent in parents[1:]:
        while root not in (parent, *parent.parents):
            root = root.parent
    return root


def _plain(name: str) -> str:
    return " ".join(_tokens(name))


def _find_known(parsed: _Parsed, names: Iterable[str]) -> str:
    text = f" {' '.join(parsed.words)} "
    hits = [name for name in names if _plain(name) and f" {_plain(name)} " in text]
    return max(hits, key=len, default="")


def _guess_scenes(files: list[_Parsed], session: Session) -> None:
    kinds = {scene.name: scene.kind for scene in session.scenes}
    for parsed in files:
        known = _find_known(parsed, kinds)
        if known:
            parsed.scene, parsed.kind = known, kinds[known]
            continue
        for group in [*reversed(parsed.folders), parsed.stem]:
            hits = [n for n, word in enumerate(group) if _kind_of(word)]
            if not hits:
                continue
            parsed.kind = _kind_of(group[hits[-1]])
            # A folder that holds the kind's word is the scene's name as a whole; in a stem only the run of such words is.
            chosen = group if group in parsed.folders else [group[n] for n in hits]
            parsed.scene = _title(word for word in chosen if word not in NOISE_WORDS)
            break


def _guess_devices(files: list[_Parsed], session: Session) -> None:
    names = [device.name for device in session.devices]
    scenes_with: dict[str, set[str]] = defaultdict(set)
    count: Counter[str] = Counter()
    for parsed in files:
        parsed.device = _find_known(parsed, names)
        used = set(_tokens(parsed.scene))
        for word in dict.fromkeys(parsed.words):
            if word in used or word in NOISE_WORDS or _kind_of(word) or _role_of(word) or _NUMBERED.match(word):
                continue
            scenes_with[word].add(parsed.scene)
            count[word] += 1
    total = len(files)
    for parsed in files:
        if parsed.device or parsed.role in ("source", "camera"):
            continue
        used = set(_tokens(parsed.scene))
        candidates = [w for w in dict.fromkeys(parsed.words) if w in count and w not in used]
        # A word that all files share names the occasion, not a device.
        telling = [w for w in candidates if count[w] < total or total == 1]
        if telling:
            best = max(telling, key=lambda w: (len(scenes_with[w]), count[w], -parsed.words.index(w)))
            parsed.device = best[:1].upper() + best[1:]


def _title(words: Iterable[str]) -> str:
    text = " ".join(words)
    return text[:1].upper() + text[1:]


def guess(paths: Sequence[Path], session: Session, *, scene: str = "", device: str = "") -> list[Proposal]:
    """Return a proposal for every recording.

    Parameters
    ----------
    paths : sequence of Path
        Files, from `find_clips`.
    session : Session
        Names that are known already win over new ones.
    scene, device : str
        Names that are certain because the files were dropped on their cell.
    """
    if not paths:
        return []
    files = [_parse(path, _common_root(paths)) for path in paths]
    _guess_scenes(files, session)
    _guess_devices(files, session)
    _leftover_scenes(files)
    proposals = []
    takes: Counter[tuple[str, str, str]] = Counter()
    kinds = {s.name: s.kind for s in session.scenes}
    names = {s.id: s.name for s in session.scenes}
    devices = {d.id: d.name for d in session.devices}
    for clip in session.clips:
        takes[names[clip.scene], devices.get(clip.device or "", ""), clip.role] += 1
    for group in _joined(files):
        first = group[0]
        where = scene or first.scene
        who = device or ("" if first.role in ("source", "camera") else first.device)
        role: ClipRole = "device" if device and first.role == "device" else first.role
        takes[where, who, role] += 1
        take = first.take if first.take is not None else takes[where, who, role]
        kind = kinds.get(where) or first.kind or "other"
        proposals.append(Proposal(tuple(p.path for p in group), who, where, kind, max(1, take), role))
    return proposals


def _leftover_scenes(files: list[_Parsed]) -> None:
    """Where no word names a kind of scene, the innermost folder that is not the device names it."""
    for parsed in files:
        if parsed.scene:
            continue
        device = set(_tokens(parsed.device))
        for group in [*reversed(parsed.folders), parsed.stem]:
            words = [
                w for w in group if w not in device and w not in NOISE_WORDS and not _NUMBERED.match(w) and not _role_of(w)
            ]
            if words:
                parsed.scene = _title(words)
                break


def _joined(files: list[_Parsed]) -> list[list[_Parsed]]:
    """Put files that call themselves parts of one recording together."""
    groups: dict[tuple[Path, tuple[str, ...], int | None], list[_Parsed]] = defaultdict(list)
    order: list[list[_Parsed]] = []
    for parsed in files:
        if parsed.part is None:
            order.append([parsed])
            continue
        key = (parsed.path.parent, tuple(parsed.stem), parsed.take)
        if key not in groups:
            order.append(groups[key])
        groups[key].append(parsed)
    return [sorted(group, key=lambda p: p.part or 0) for group in order]


__all__ = ["ENDINGS", "Proposal", "find_clips", "guess", "kind_of_name", "natural"]
