"""Sentences that the rooms below the window make, as templates: read from the source, so that none is forgotten.

A template is the text with ``{1}``, ``{2}`` ... for what is filled in.  Both arms of a choice between two constant texts give a
template of their own.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from itertools import product
from pathlib import Path

import viewer

ROOT = Path(viewer.__file__).parent
ROOMS = ("errors.py", "resources.py", "cv.py", "measure", "align", "media", "session", "tasks", "publish")
# Texts that the window never shows: printed by commands, put into files, or the words of the sample session.
ELSEWHERE = {
    "tasks/align_document.py": "lines for the terminal",
    "tasks/batch.py": "a command without a window",
    "tasks/blind_answers.py": "a command without a window",
    "tasks/blind_stills.py": "a command without a window",
    "tasks/demo.py": "a table of the demo command",
    "tasks/probe.py": "lines for the terminal",
    "tasks/sheet.py": "lines for the terminal",
    "tasks/summary.py": "lines for the terminal",
    "tasks/sample.py": "names and notes of the sample session: data of a user",
    "media/cache.py": "statements of the data base",
    "publish/advice.py": "printed in the report",
    "publish/card.py": "printed on the card",
    "publish/compared.py": "printed in the report",
    "publish/footer.py": "printed on stills",
    "publish/manifest.py": "checked by a command",
    "publish/metadata.py": "read by a command",
    "publish/moments.py": "printed on stills",
    "publish/moving.py": "printed on footage",
    "publish/palette.py": "names of colours in files",
    "publish/panewords.py": "printed on stills",
    "publish/plan_picture.py": "printed on the plan",
    "publish/plots.py": "printed in the report",
    "publish/readings.py": "columns of files",
    "publish/report.py": "printed in the report",
    "publish/rendering.py": "printed on stills",
    "publish/rows.py": "printed on stills",
    "publish/story.py": "printed in the report",
    "publish/strip.py": "printed on stills",
    "publish/view.py": "printed on stills",
    "publish/words.py": "printed in the report",
}
_SENTENCE = re.compile(r"[A-Za-z]{2,} [A-Za-z({]|[a-z]{3}[.;:,] |\} [a-z]{3,}|[a-z]{3,} \{")
_FIELD = re.compile(r"\{[\w.:]*\}")
_MOST_VARIANTS = 12


def templates() -> dict[str, str]:
    """Return template -> where it stands (file:line)."""
    found: dict[str, str] = {}
    for path in _files():
        name = path.relative_to(ROOT).as_posix()
        if name in ELSEWHERE:
            continue
        for node in _texts(ast.parse(path.read_text(encoding="utf-8"))):
            for variant in _variants(node):
                text = numbered(variant)
                if _SENTENCE.search(text):
                    found.setdefault(text, f"{name}:{node.lineno}")
    return found


def numbered(parts: tuple[str | None, ...]) -> str:
    """Return the parts as one text, holes (None) numbered, without space at its ends."""
    count, text = 0, ""
    for part in parts:
        if part is None:
            count += 1
            text += f"{{{count}}}"
        else:
            text += part.replace("{", "{{").replace("}", "}}")
    return text.strip()


def _files() -> Iterator[Path]:
    for room in ROOMS:
        path = ROOT / room
        yield from sorted(path.rglob("*.py")) if path.is_dir() else [path]


def _texts(tree: ast.AST) -> Iterator[ast.expr]:
    """Yield whole text expressions: no docstrings, no pieces of one already yielded."""
    for child in ast.iter_child_nodes(tree):
        if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
            continue
        if isinstance(child, ast.Raise) and _programming_error(child):
            continue
        if _is_text(child):
            yield child
            for inner in ast.walk(child):  # texts within what is filled in
                if isinstance(inner, ast.FormattedValue):
                    yield from _texts(ast.Expression(inner.value))
        else:
            yield from _texts(child)


def _programming_error(node: ast.Raise) -> bool:
    """Whether a raise is of a builtin error: for developers, no user reads it."""
    call = node.exc
    return (
        isinstance(call, ast.Call)
        and isinstance(call.func, ast.Name)
        and call.func.id in ("ValueError", "TypeError", "KeyError")
    )


def _is_text(node: ast.AST) -> bool:
    if isinstance(node, ast.JoinedStr):
        return True
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _is_text(node.left) or _is_text(node.right)
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def _variants(node: ast.expr) -> list[tuple[str | None, ...]]:
    """Return the ways in which a text can come out: parts, None for what is filled in."""
    choices = [_choices(piece) for piece in _pieces(node)]
    if isinstance(node, ast.Constant):  # a text to be filled by `str.format`
        parts = _FIELD.split(str(node.value))
        choices = [[(part,) if part is not None else (None,)] for text in parts for part in (text, None)][:-1]
    count = 1
    for choice in choices:
        count *= len(choice)
    if count > _MOST_VARIANTS:
        choices = [choice if len(choice) == 1 else [(None,)] for choice in choices]
    return [tuple(part for group in combined for part in group) for combined in product(*choices)]


def _pieces(node: ast.expr) -> list[ast.expr]:
    if isinstance(node, ast.JoinedStr):
        return list(node.values)
    if isinstance(node, ast.BinOp) and _is_text(node):
        return [*_pieces(node.left), *_pieces(node.right)]
    return [node]


def _choices(node: ast.expr) -> list[tuple[str | None, ...]]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [(node.value,)]
    inner = node.value if isinstance(node, ast.FormattedValue) else node
    if isinstance(inner, ast.IfExp) and all(isinstance(arm, ast.Constant) for arm in (inner.body, inner.orelse)):
        return [(str(arm.value),) for arm in (inner.body, inner.orelse) if isinstance(arm, ast.Constant)]
    return [(None,)]


__all__ = ["ELSEWHERE", "ROOT", "numbered", "templates"]
