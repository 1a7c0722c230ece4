"""What this user likes: theme, text size, language, sizes of the parts.  Kept as JSON in the user's own folder."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path
from typing import Any

from viewer.errors import SessionError
from viewer.session import store

DEFAULTS: dict[str, Any] = {
    "theme": "dark",
    "text_percent": 100,
    "language": "en",
    "reduced_flicker": False,
    "window": [1440, 900],
    "parts": {},
    "folded": [],
    "first_run": True,
    "lane_content": "light",
    "interest": "",
    "hardware_decoding": False,
}


class Settings:
    """A small dictionary on disk; a value of the wrong type counts as absent."""

    def __init__(self, path: Path | None = None) -> None:
        self.path = path or _default_path()
        self._values: dict[str, Any] = {}
        with contextlib.suppress(OSError, ValueError):
            raw = json.loads(self.path.read_text(encoding="utf-8"))
            if isinstance(raw, dict):
                self._values = {
                    key: value for key, value in raw.items() if key in DEFAULTS and isinstance(value, type(DEFAULTS[key]))
                }

    def __getitem__(self, key: str) -> Any:
        return self._values.get(key, DEFAULTS[key])

    def __setitem__(self, key: str, value: Any) -> None:
        if key not in DEFAULTS:
            raise KeyError(key)
        self._values[key] = value

    def save(self) -> bool:
        """Write the file; a folder that cannot be written costs nothing but the memory of sizes."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            store.write_whole(self.path, json.dumps(self._values, indent=1).encode())
        except (OSError, SessionError):
            return False
        return True


def _default_path() -> Path:
    from platformdirs import user_config_path

    return user_config_path("gloaming", appauthor=False) / "settings.json"


__all__ = ["DEFAULTS", "Settings"]
