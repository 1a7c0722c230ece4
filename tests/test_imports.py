"""The rooms and who may import whom, late imports inside functions included."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent / "viewer"

# room -> rooms of ours that it may import
OURS = {
    "errors": set(),
    "cv": set(),
    "resources": {"errors"},
    "media": {"errors", "cv"},
    "align": {"errors", "cv"},
    "measure": {"errors", "cv"},
    "session": {"errors", "align", "measure"},
    "tasks": {"errors", "cv", "resources", "media", "align", "measure", "session"},
    "publish": {"errors", "cv", "resources", "media", "align", "measure", "session", "tasks"},
    "lab": {"errors", "cv", "media"},
    "cli": {"errors", "cv", "resources", "media", "align", "measure", "session", "tasks", "publish", "lab"},
    "app": {"errors", "cv", "resources", "media", "align", "measure", "session", "tasks", "publish", "lab"},
}
# (file, room): why it may
EXCEPTIONS = {
    ("cli/open.py", "app"): "starts the window, late",
    ("cli/demo.py", "app"): "starts the window, late",
    ("cli/screens.py", "app"): "renders the window, late",
}
# room -> libraries that it must not import
NEVER = {
    "measure": {"av", "PySide6", "pyqtgraph", "matplotlib", "pydantic", "click", "rich", "PIL"},
    "align": {"av", "PySide6", "pyqtgraph", "matplotlib", "pydantic", "click", "rich", "PIL"},
    "media": {"PySide6", "pyqtgraph", "matplotlib", "pydantic", "click", "rich"},
    "session": {"av", "PySide6", "pyqtgraph", "matplotlib", "click", "rich"},
    "tasks": {"PySide6", "pyqtgraph", "click"},
    "lab": {"PySide6", "pyqtgraph", "matplotlib", "pydantic", "click", "rich"},
    "publish": {"pyqtgraph", "click", "rich", "PySide6.QtWidgets"},
    "cli": {"PySide6", "pyqtgraph", "matplotlib"},
    "errors": {"av", "PySide6", "cv2", "numpy", "scipy"},
}
BOOT = {"_bootstrap", "__main__", "__init__"}


def imports_of(path: Path) -> set[str]:
    """Every module that a file imports, at any depth."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            module = node.module or ""
            found.add(module)
            if module.split(".")[0] in ("viewer", "PySide6"):
                found |= {f"{module}.{alias.name}" for alias in node.names}
    return found


FILES = sorted(path for path in ROOT.rglob("*.py") if path.relative_to(ROOT).parts[0].removesuffix(".py") not in BOOT)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_rooms(path: Path) -> None:
    name = path.relative_to(ROOT).as_posix()
    room = path.relative_to(ROOT).parts[0].removesuffix(".py")
    for module in imports_of(path):
        parts = module.split(".")
        if parts[0] == "viewer" and len(parts) > 1 and parts[1] not in ("__version__", room):
            assert parts[1] in OURS[room] or (name, parts[1]) in EXCEPTIONS, f"{name} imports {module}"
        for banned in NEVER.get(room, set()):
            assert module != banned and not module.startswith(banned + "."), f"{name} imports {module}"
        assert parts[0] != "cv2" or room == "cv", f"{name} imports cv2 itself"


def test_app_model_knows_no_widget() -> None:
    for path in (ROOT / "app" / "model").rglob("*.py"):
        assert not any(module.startswith("PySide6.QtWidgets") for module in imports_of(path)), path


def test_exceptions_are_used() -> None:
    for name, room in EXCEPTIONS:
        path = ROOT / name
        if path.exists():
            assert any(module.startswith(f"viewer.{room}") for module in imports_of(path)), name


def test_bootstrap_is_standard_library_only() -> None:
    import sys

    for name in ("_bootstrap.py", "__main__.py"):
        for module in imports_of(ROOT / name):
            top = module.split(".")[0]
            assert top in sys.stdlib_module_names or top == "viewer", module
