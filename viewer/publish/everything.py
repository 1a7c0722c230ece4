"""Everything that leaves the program for one session, written into one folder."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from viewer.errors import Cancelled, PublishError, UsageError, ViewerError
from viewer.publish import readings, report, story
from viewer.publish.gather import gather, middle_of
from viewer.publish.images import write_file
from viewer.publish.manifest import manifest_json
from viewer.publish.still import Still, compose, write_blink, write_still
from viewer.publish.strays import sweep
from viewer.session.model import FrameRule, Scene, Session, StillSpec
from viewer.tasks.audit import SceneAudit, audit_result, audit_session
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.document import Result

if TYPE_CHECKING:
    from viewer.publish.footage import FootageSpec, Master

PRODUCTS = ("stills", "blink", "audit", "readings", "card", "report", "footage", "manifest")

# Decoding, arithmetic and compression leave the interpreter free: two at a time keep two cores busy.
WORKERS = 2
# Steps of progress that a video counts for.
FOOTAGE_STEPS = 40

Progress = Callable[[int, int], None]
Stop = Callable[[], bool]


@dataclass
class _Work:
    """What grows while the products are made."""

    session: Session
    folder: Path
    out: Path
    wanted: frozenset[str]
    allow_outside: bool
    progress: Progress | None
    cancelled: Stop | None
    total: int = 1
    done: int = 0
    files: list[Path] = field(default_factory=list)
    stills: dict[str, list[Still]] = field(default_factory=dict)
    audits: tuple[SceneAudit, ...] = ()
    troubles: list[str] = field(default_factory=list)
    checks: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def step(self, count: int = 1) -> None:
        """Report progress, and stop if asked to."""
        self.done += count
        if self.progress:
            self.progress(min(self.done, self.total), self.total)
        if self.cancelled and self.cancelled():
            raise Cancelled

    def write(self, name: str, data: bytes | str) -> None:
        """Write one product, whole or not at all."""
        self.files.append(write_file(self.out / name, data.encode("utf-8") if isinstance(data, str) else data))


def publish_session(
    session: Session,
    folder: Path,
    out: Path,
    *,
    only: Iterable[str] | None = None,
    footage: bool = False,
    bits: int = 8,
    form: str = "png",
    results: Mapping[tuple[str, str], Result] | None = None,
    allow_outside: bool = False,
    troubles: Iterable[str] = (),
    faults: list[str] | None = None,
    progress: Progress | None = None,
    cancelled: Stop | None = None,
) -> tuple[Path, ...]:
    """Write stills, card, report, readings, audit and manifest of a measured session.

    Parameters
    ----------
    session : Session
        Lined up and measured as far as it goes; what is missing is said in the products.
    folder : Path
        Where the session's file references start from.
    out : Path
        Folder of the products, made if need be.
    only : iterable of str, optional
        Some of `PRODUCTS`; all but ``footage`` by default.
    footage : bool
        Write side-by-side video as well.
    bits : {8, 16}
        Depth of the stills that are PNG.
    form : {"png", "tif", "jpg"}
        Format of the stills; blinking ones are PNG and WebP always.
    results : mapping, optional
        ``Run.results`` of the measuring pass: curves for the report's plots.
    troubles : iterable of str
        Lines about clips that could not be used, for the report.
    faults : list of str, optional
        Takes up a line for each video that could not be made, and for each fault that reading one back found.

    Returns
    -------
    tuple of Path
        What was written, in order.

    Raises
    ------
    UsageError
        For an unknown product.
    PublishError
        If `out` cannot be written; files written before stay whole.
    Cancelled
        On request; no half file is left.
    """
    wanted = frozenset(only) if only is not None else frozenset(PRODUCTS) - {"footage"}
    if footage:
        wanted |= {"footage"}
    for name in sorted(wanted - set(PRODUCTS)):
        raise UsageError(f"unknown product {name!r}.", hint=f"Choose from {', '.join(PRODUCTS)}.")
    work = _Work(
        session=session,
        folder=Path(folder),
        out=Path(out),
        wanted=wanted,
        allow_outside=allow_outside,
        progress=progress,
        cancelled=cancelled,
        troubles=list(troubles),
        faults=[] if faults is None else faults,
    )
    try:
        work.out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PublishError(f"cannot be made ({error.strerror}).", where=str(out), hint="Choose another folder.") from error
    sweep(work.out)
    specs = still_specs(session, work.folder, allow_outside=allow_outside)
    work.total = 2 * len(specs) + len(session.clips) + 6
    if wanted & {"stills", "blink", "report", "card"}:
        _stills(work, specs, bits, form)
    if wanted & {"audit", "card", "report"}:
        _audit(work)
    if "footage" in wanted:
        _footage(work)
    _documents(work, results or {})
    if "manifest" in wanted:
        settings = {"products": sorted(wanted), "bits": bits, "format": form, "stills": [_spec_json(spec) for spec in specs]}
        work.write("manifest.json", manifest_json(session, work.folder, work.out, tuple(work.files), settings))
    work.step(work.total - work.done)
    return tuple(work.files)


def _spec_json(spec: StillSpec) -> dict[str, Any]:
    return {
        "scene": spec.scene,
        "time_s": spec.time_s,
        "rule": spec.rule,
        "rendering": spec.rendering,
        "layout": spec.layout,
        "shape": spec.shape,
        "clips": list(spec.clips),
        "settings": dict(spec.settings),
    }


def still_specs(session: Session, folder: Path, *, allow_outside: bool = False) -> list[StillSpec]:
    """Return the session's stills, and one in the middle of every scene that has none."""
    made = list(session.stills)
    for scene in session.scenes:
        if any(spec.scene == scene.id for spec in made) or not session.clips_of(scene.id):
            continue
        rule: FrameRule = "mean_over_beats" if scene.kind == "screen" else "scene_time"
        middle = middle_of(session, scene, folder, allow_outside=allow_outside)
        made.append(StillSpec(id=f"auto-{scene.id}", scene=scene.id, time_s=middle, rule=rule))
    return made


def file_name(text: str) -> str:
    """Return a plain name for a file: letters and digits, joined by hyphens."""
    return re.sub(r"[^\w]+", "-", text, flags=re.UNICODE).strip("-_").lower()[:48] or "scene"


def _stills(work: _Work, specs: list[StillSpec], bits: int, form: str) -> None:
    """Write every still, its brightness-matched twin, and a blink of two or more; two stills at a time."""

    def make(number: int) -> _MadeStill:
        if work.cancelled and work.cancelled():
            raise Cancelled
        try:
            return _still(work, number, specs[number], bits, form)
        except (Cancelled, PublishError):
            raise
        except ViewerError as error:
            return _MadeStill(troubles=[str(error)])

    with ThreadPoolExecutor(WORKERS) as pool:
        waiting = [pool.submit(make, number) for number in range(len(specs))]
        try:
            for future in waiting:
                made = future.result()
                work.files += made.files
                work.troubles += made.troubles
                if made.still is not None:
                    work.stills.setdefault(made.scene, []).append(made.still)
                work.step(2)
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


@dataclass
class _MadeStill:
    """What came of one still."""

    scene: str = ""
    still: Still | None = None
    files: list[Path] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)


def _still(work: _Work, number: int, spec: StillSpec, bits: int, form: str) -> _MadeStill:
    gathered = gather(work.session, work.folder, spec, allow_outside=work.allow_outside, cancelled=work.cancelled)
    name = f"stills/{number + 1:02d}-{file_name(spec.name or gathered.scene.name)}"
    still = compose(gathered)
    made = _MadeStill(scene=gathered.scene.id, still=still, troubles=list(gathered.troubles))
    if "stills" in work.wanted:
        made.files.append(write_still(still, work.out / f"{name}.{form}", bits=bits))
        if gathered.spec.rendering == "as_filmed" and len(gathered.panes) > 1:
            twin = compose(gathered, rendering="brightness_matched")
            made.files.append(write_still(twin, work.out / f"{name}-matched.{form}", bits=bits))
    if "blink" in work.wanted and len(gathered.panes) > 1:
        try:
            paths = [work.out / f"{name}-blink{ending}" for ending in (".png", ".webp")]
            made.files += write_blink(gathered, *paths, size=(1280, 720))
        except UsageError as error:
            made.troubles.append(str(error))
    return made


def _audit(work: _Work) -> None:
    def pass_on(done: int, total: int) -> None:
        work.step()

    work.audits = audit_session(
        work.session, work.folder, allow_outside=work.allow_outside, progress=pass_on, cancelled=work.cancelled
    )
    if "audit" in work.wanted:
        work.write("audit.json", audit_result(work.audits).dumps())


def _footage(work: _Work) -> None:
    """Write the videos that are not there yet; a run that was cut short goes on with the next one."""
    from viewer.publish.footage import FootageSpec
    from viewer.publish.queue import Queue, key_of

    jobs = {
        f"{number + 1:02d}-{file_name(scene.name)}-{master}.mp4": (scene, FootageSpec(scene=scene.id, master=master))
        for number, scene in enumerate(work.session.scenes)
        if work.session.clips_of(scene.id)
        for master in _masters(work, scene)
    }
    work.total += FOOTAGE_STEPS * len(jobs)
    queue = Queue(work.out / "footage" / "queue.json")
    queue.plan({file: key_of(work.session, spec) for file, (_, spec) in jobs.items()})
    for file, (scene, spec) in jobs.items():
        aim = work.done + FOOTAGE_STEPS
        try:
            if not (queue.done(file, key_of(work.session, spec)) and _told_before(work, file)):
                _video(work, file, spec)
                queue.mark(file, "done")
        except (Cancelled, PublishError):
            raise
        except ViewerError as error:
            work.troubles.append(f"footage of {scene.name}: {error}")
            work.faults.append(work.troubles[-1])
            queue.mark(file, "failed", str(error))
        work.step(aim - work.done)


def _video(work: _Work, file: str, spec: FootageSpec) -> None:
    """Write one video, read it back, and keep what was found beside it."""
    from viewer.publish.footage import write_footage
    from viewer.publish.readback import read_back

    path = work.out / "footage" / file
    first, share = work.done, FOOTAGE_STEPS - 2

    def pass_on(done: int, total: int) -> None:
        work.step(first + share * done // max(total, 1) - work.done)

    made = write_footage(
        work.session,
        work.folder,
        spec,
        path,
        allow_outside=work.allow_outside,
        progress=pass_on,
        cancelled=work.cancelled,
    )
    check = read_back(path, made, cancelled=work.cancelled)
    work.files.append(path)
    work.checks += [f"{file}: {text}" for text in check.sentences]
    work.faults += [f"{file}: {fault}" for fault in check.faults]
    work.write(f"footage/{path.stem}.json", json.dumps(check.to_json(), indent=1, allow_nan=False) + "\n")


def _told_before(work: _Work, file: str) -> bool:
    """Take a finished video and its check from an earlier run; False if the check is gone."""
    path = work.out / "footage" / file
    try:
        told = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
        sentences, faults = ([str(text) for text in told[key]] for key in ("sentences", "faults"))
    except (OSError, ValueError, KeyError, TypeError):
        return False
    work.files += [path, path.with_suffix(".json")]
    work.checks += [f"{file}: {text}" for text in sentences]
    work.faults += [f"{file}: {fault}" for fault in faults]
    return True


def _masters(work: _Work, scene: Scene) -> tuple[Master, ...]:
    """Return the masters that make sense: HLG only where some clip holds more than SDR can show."""
    for entry in work.session.clips_of(scene.id):
        try:
            with open_session_clip(work.folder, entry, allow_outside=work.allow_outside) as clip:
                if clip.info.transfer in ("hlg", "pq"):
                    return ("sdr", "hlg")
        except ViewerError:
            continue
    return ("sdr",)


def _documents(work: _Work, results: Mapping[tuple[str, str], Result]) -> None:
    """Write readings, card and report."""
    session = work.session
    if "readings" in work.wanted:
        work.write("readings.csv", readings.readings_csv(session))
        work.write("readings.json", readings.readings_json(session, work.folder))
    work.step()
    if not work.wanted & {"card", "report"}:
        return
    facts = {scene: [still.facts for still in group] for scene, group in work.stills.items()}
    told = story.build(
        session, audits=work.audits, troubles=tuple(dict.fromkeys(work.troubles)), checks=work.checks, stills=facts
    )
    if "card" in work.wanted:
        work.write("card.png", report.card_png(told))
        work.write("card.pdf", report.card_pdf(told))
        work.write("card.txt", story.card_text(told))
        work.step()
    if "report" in work.wanted:
        told = report.with_plots(told, session, results)
        work.step()
        work.write("report.html", report.report_html(told, work.stills))
        work.step()
        work.write("report.pdf", report.report_pdf(told, work.stills))
        work.step()


def plot_results(
    session: Session,
    folder: Path,
    *,
    allow_outside: bool = False,
    progress: Progress | None = None,
    cancelled: Stop | None = None,
) -> Mapping[tuple[str, str], Result]:
    """Measure again what the report draws as curves (the document keeps readings, not curves); first takes only."""
    from viewer.tasks.session import measure_session

    first: dict[tuple[str, str | None], str] = {}
    for scene in session.scenes:
        for clip in session.clips_of(scene.id):
            first.setdefault((scene.id, clip.device), clip.id)
    chosen = set(first.values())
    pairs = [
        (request.id, clip.id)
        for request in session.requests
        if request.measure in ("bloom", "flicker", "edge")
        for clip in session.clips_of(request.scene)
        if clip.id in chosen
    ]
    run = measure_session(
        replace(session, verdicts=()), folder, only=pairs, allow_outside=allow_outside, progress=progress, cancelled=cancelled
    )
    return run.results


__all__ = ["PRODUCTS", "file_name", "plot_results", "publish_session", "still_specs"]
