"""Light levels as people type them, the same in every customary unit."""

from __future__ import annotations

import re

from viewer.errors import UsageError
from viewer.measure.sheet import parse_number
from viewer.measure.units import ILLUMINANCE, LUMINANCE, convert_illuminance, convert_luminance, lambert_luminance

_TYPED = re.compile(r"^\s*([-+]?[\d.,]+(?:[eE][-+]?\d+)?)\s*(.+?)\s*$")
_SPELLED = {name.lower(): name for name in (*LUMINANCE, *ILLUMINANCE)}
_SHOWN = (("cd/m2", "fL", "mfL"), ("lx", "fc", "phot"))


def level_in_units(typed: str) -> str:
    """Return a light level in the other units, as one line.

    A luminance is also given as the light on a matt white surface that shows it, an illuminance as the luminance of such a
    surface (Lambert: ``L = E / pi``).

    Raises
    ------
    UsageError
        If number or unit cannot be read, or the level is not above zero.
    """
    match = _TYPED.match(typed)
    if not match:
        raise UsageError(f"light: {typed!r} is not a number with a unit.", hint="For example: 1 mfL, 0.0034 cd/m2, 0.01 lx.")
    value = parse_number(match[1])
    spelled = re.sub(r"[\s^]", "", match[2]).replace("²", "2").replace("µ", "u").replace("μ", "u").lower()
    unit = _SPELLED.get(spelled)
    if unit is None:
        raise UsageError(f"light: unit {match[2]!r} is not one of {', '.join((*LUMINANCE, *ILLUMINANCE))}.")
    if value <= 0:
        raise UsageError(f"light: {typed!r} is not above zero.")
    if unit in LUMINANCE:
        shown = convert_luminance(value, unit)
        lit, surface = shown / lambert_luminance(1.0, 1.0), "the light on a matt white surface that shows it"
    else:
        lit = convert_illuminance(value, unit)
        shown, surface = lambert_luminance(lit, 1.0), "a matt white surface in it shows"
    luminances = [f"{convert_luminance(shown, 'cd/m2', to):.6g} {to}" for to in _SHOWN[0] if to != unit]
    illuminances = [f"{convert_illuminance(lit, 'lx', to):.6g} {to}" for to in _SHOWN[1] if to != unit]
    own, others = (luminances, illuminances) if unit in LUMINANCE else (illuminances, luminances)
    return f"{value:.6g} {unit} = {' = '.join(own)}; {surface}: {' = '.join(others)}"


__all__ = ["level_in_units"]
