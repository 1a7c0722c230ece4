"""``gloaming publish``: stills, footage, card, report and manifest of a session; and the manifest checked again."""

from __future__ import annotations

from pathlib import Path

import click

from viewer.cli.common import CLIP, emit, json_option, progress_bar

PRODUCTS = ("stills", "blink", "audit", "readings", "card", "report", "footage", "manifest")


@click.command("publish")
@click.argument("session", metavar="SESSION", type=CLIP, required=False)
@click.option("--out", type=click.Path(path_type=Path), help="Folder of the products.")
@click.option("--only", multiple=True, type=click.Choice(PRODUCTS), help="Just this product; may be given several times.")
@click.option("--footage/--no-footage", default=True, help="Side-by-side video as well (the longest part of the work).")
@click.option("--bits", type=click.Choice(["8", "16"]), default="8", help="Depth of PNG stills.")
@click.option("--format", "form", type=click.Choice(["png", "tif", "jpg"]), default="png", help="Format of the stills.")
@click.option("--check", type=CLIP, metavar="MANIFEST", help="Make the numbers of a manifest again and compare.")
@click.option("--clips", type=click.Path(path_type=Path), metavar="DIR", help="With --check: the folder of the clips.")
@click.option("--preview", is_flag=True, help="Tell what would be written, and the words in each file; write nothing.")
@click.option("--allow-outside", is_flag=True, help="Let the session reach clips outside its own folder.")
@json_option
def command(
    session: Path | None,
    out: Path | None,
    only: tuple[str, ...],
    footage: bool,
    bits: str,
    form: str,
    check: Path | None,
    clips: Path | None,
    preview: bool,
    allow_outside: bool,
    json_to: str | None,
) -> None:
    """Write what leaves the program: stills, side-by-side video, methods card, report, readings, manifest.

    With --check MANIFEST, measure the clips again and tell match or mismatch number by number; the clips are looked for
    where the manifest says, beside SESSION, or in --clips DIR.
    """
    from viewer.errors import UsageError

    if check is not None:
        if session is not None and clips is None:
            clips = session.resolve().parent
        _check(check, clips, allow_outside, json_to)
        return
    if session is not None and preview:
        _preview(session, only or ("stills", "blink"), int(bits), form, allow_outside, json_to)
        return
    if session is None or out is None:
        raise UsageError("name a session and where its products go.", hint="gloaming publish SESSION --out DIR")
    _publish(session, out, only, footage, int(bits), form, allow_outside, json_to)


def _check(manifest: Path, clips: Path | None, allow_outside: bool, json_to: str | None) -> None:
    from viewer.publish.manifest import check_manifest

    with progress_bar("check") as progress:
        result = check_manifest(manifest, clips=clips, allow_outside=allow_outside, progress=progress)
    if json_to is None:
        for line in result.extras["lines"]:
            change = f"  ({line['before']} -> {line['after'] or 'nothing'})" if line["state"] != "match" else ""
            click.echo(f"{line['state']:9} {line['what']}{change}")
    emit(result, json_to)


def _preview(path: Path, only: tuple[str, ...], bits: int, form: str, allow_outside: bool, json_to: str | None) -> None:
    """Write into a folder that is thrown away, and tell what is in the files."""
    import tempfile

    from viewer.publish.everything import publish_session
    from viewer.publish.metadata import PICTURES, VIDEOS, words_in
    from viewer.session.store import load
    from viewer.tasks.document import Result

    with tempfile.TemporaryDirectory(prefix="gloaming-") as room, progress_bar("preview") as progress:
        out = Path(room)
        files = publish_session(
            load(path),
            path.resolve().parent,
            out,
            only=only,
            bits=bits,
            form=form,
            allow_outside=allow_outside,
            progress=progress,
        )
        told = {
            file.relative_to(out).as_posix(): words_in(file) if file.suffix in (*PICTURES, *VIDEOS) else {} for file in files
        }
    if json_to is None:
        for name, words in told.items():
            click.echo(name)
            for key, text in words.items():
                click.echo(f"  {key}: {text}")
    emit(Result(command="publish --preview", extras={"metadata": told}), json_to)


def _publish(
    path: Path, out: Path, only: tuple[str, ...], footage: bool, bits: int, form: str, allow_outside: bool, json_to: str | None
) -> None:
    from viewer.publish.everything import plot_results, publish_session
    from viewer.session.store import load
    from viewer.tasks.document import Result
    from viewer.tasks.session import out_of_date

    session, folder = load(path), path.resolve().parent
    stale = len(out_of_date(session))
    results = {}
    if not only or "report" in only:
        with progress_bar("curves") as progress:
            results = dict(plot_results(session, folder, allow_outside=allow_outside, progress=progress))
    with progress_bar("publish") as progress:
        files = publish_session(
            session,
            folder,
            out,
            only=only or None,
            footage=footage and not only,
            bits=bits,
            form=form,
            results=results,
            allow_outside=allow_outside,
            progress=progress,
        )
    warnings = []
    if not session.readings and session.requests:
        warnings.append("The session holds no readings yet: run gloaming measure first.")
    if stale:
        warnings.append(f"{stale} readings are out of date: run gloaming measure, then publish again.")
    if json_to is None:
        for file in files:
            click.echo(str(file))
    names = [file.relative_to(out).as_posix() for file in files]
    emit(Result(command="publish", warnings=tuple(warnings), extras={"files": names}), json_to)


__all__ = ["command"]
