"""The data-sheet desk: figures as typed become intervals with units, converted both ways and checked against each other."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from viewer.errors import UsageError
from viewer.measure import units as u


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One kind of data-sheet figure.

    `units` maps a spelling (lower case, blanks removed) to (name, factor to the first unit); `plausible` bounds the first
    unit, from practice; `stepwise` marks figures that are read off a chart of discrete elements.
    """

    name: str
    title: str
    units: Mapping[str, tuple[str, float]]
    plausible: tuple[float, float]
    stepwise: bool = False
    about: str = ""

    @property
    def unit(self) -> str:
        """The unit that values are kept in."""
        return next(iter(self.units.values()))[0]


_CDM2LX = u.gain_from_cdm2lx(1.0)
_GAIN = {
    "fl/fc": ("fL/fc", 1.0),
    "cd/m2/lx": ("cd/m2/lx", _CDM2LX),
    "cdm-2lx-1": ("cd/m2/lx", _CDM2LX),
    "cd/m²/lx": ("cd/m2/lx", _CDM2LX),
    "cd/(m2lx)": ("cd/m2/lx", _CDM2LX),
    "/picd/m2/lx": ("x/pi cd/m2/lx", 1.0),
}
_EBI = {
    "ulx": ("ulx", 1.0),
    "µlx": ("ulx", 1.0),
    "μlx": ("ulx", 1.0),
    "microlux": ("ulx", 1.0),
    "ulux": ("ulx", 1.0),
    "1e-11phot": ("1e-11 phot", 0.1),
    "e-11phot": ("1e-11 phot", 0.1),
    "x1e-11phot": ("1e-11 phot", 0.1),
    "x10-11phot": ("1e-11 phot", 0.1),
    "1e-11lm/cm2": ("1e-11 phot", 0.1),
    "x10-11lm/cm2": ("1e-11 phot", 0.1),
    "phot": ("phot", 1e10),
    "lm/cm2": ("phot", 1e10),
    "lx": ("lx", 1e6),
}

QUANTITIES: dict[str, Quantity] = {
    q.name: q
    for q in (
        Quantity(
            name="gain",
            title="Luminance gain",
            units=_GAIN,
            plausible=(500.0, 150_000.0),
            about="Phosphor luminance over input illuminance; falls with input, so ask for the input level.",
        ),
        Quantity(
            name="ebi",
            title="Equivalent background illumination",
            units=_EBI,
            plausible=(0.005, 2.5),
            about="Ask for the temperature.",
        ),
        Quantity(name="snr", title="Signal to noise (tube test)", units={"": ("1", 1.0)}, plausible=(4.0, 60.0)),
        Quantity(
            name="resolution",
            title="Limiting resolution",
            units={"lp/mm": ("lp/mm", 1.0), "cy/mm": ("lp/mm", 1.0)},
            plausible=(20.0, 120.0),
            stepwise=True,
            about="Read off a chart in steps of 12 %: the truth lies between the step and the next.",
        ),
        Quantity(
            name="fom", title="Figure of merit", units={"": ("lp/mm", 1.0), "lp/mm": ("lp/mm", 1.0)}, plausible=(200.0, 6000.0)
        ),
        Quantity(
            name="halo",
            title="Halo diameter at the tube",
            units={"mm": ("mm", 1.0), "um": ("um", 1e-3), "µm": ("um", 1e-3)},
            plausible=(0.3, 2.5),
        ),
        Quantity(
            name="sensitivity",
            title="Photocathode sensitivity",
            units={"ua/lm": ("uA/lm", 1.0), "µa/lm": ("uA/lm", 1.0)},
            plausible=(200.0, 3000.0),
        ),
        Quantity(
            name="field",
            title="Field of view",
            units={"deg": ("deg", 1.0), "°": ("deg", 1.0), "degrees": ("deg", 1.0)},
            plausible=(10.0, 120.0),
        ),
        Quantity(name="focal", title="Objective focal length", units={"mm": ("mm", 1.0)}, plausible=(10.0, 200.0)),
        Quantity(name="diameter", title="Useful cathode diameter", units={"mm": ("mm", 1.0)}, plausible=(10.0, 30.0)),
    )
}

_NUMBER = r"[<>≥≤~]?\s*[-+]?\d+(?:[.,]\d+)*(?:[eE][-+]?\d+)?"
_RANGE = re.compile(rf"^\s*({_NUMBER})\s*(?:(?:-|–|to|\.\.+|…|bis)\s*<?\s*({_NUMBER})\s*)?(.*)$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure: what was typed, and the interval it means in the unit of its quantity."""

    quantity: str
    typed: str
    low: float
    high: float
    unit: str
    typed_unit: str
    remarks: tuple[str, ...] = ()

    @property
    def value(self) -> float:
        """The figure as stated: the lower end of a stepwise interval, else the middle."""
        return self.low if QUANTITIES[self.quantity].stepwise else 0.5 * (self.low + self.high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """All figures of one data sheet, what follows from them, and what is doubtful."""

    figures: tuple[Figure, ...]
    derived: tuple[tuple[str, float, float, float, str, str], ...] = ()
    doubts: tuple[str, ...] = ()
    equivalents: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def parse_number(text: str) -> float:
    """Return a number typed with a point or a comma.

    A single comma followed by exactly three digits parts thousands, unless the number starts with 0; a single point is the
    decimal sign.  `_in_place` looks at what is usual for the quantity before it trusts either.

    Raises
    ------
    UsageError
        If it is not a number.
    """
    digits = text.strip().lstrip("<>≥≤~ ").replace(" ", "").replace("\u202f", "").replace("\u00a0", "")
    mantissa, mark, exponent = digits.partition("e") if "e" in digits else digits.partition("E")
    separators = [sign for sign in mantissa if sign in ".,"]
    if len(separators) > 1 and len(set(separators)) == 2:
        decimal = separators[-1]
        mantissa = mantissa.replace("," if decimal == "." else ".", "").replace(",", ".")
    elif len(separators) > 1:
        mantissa = mantissa.replace(separators[0], "")
    elif separators == [","]:
        head, _, tail = mantissa.partition(",")
        mantissa = head + tail if len(tail) == 3 and head.lstrip("+-") not in ("0", "") and not mark else f"{head}.{tail}"
    try:
        value = float(mantissa + mark + exponent)
    except ValueError:
        raise UsageError(f"{text.strip()!r} is not a number.") from None
    if not math.isfinite(value):
        raise UsageError(f"{text.strip()!r} is not a number.")
    return value


_ONE_MARK = re.compile(r"^([<>≥≤~ ]*[1-9]\d{0,2})([.,])(\d{3})$")


def _in_place(text: str, factor: float, plausible: tuple[float, float]) -> tuple[float, str]:
    """Return a number, and what was assumed where ``30.000`` or ``27,500`` may mean thousands or a decimal sign.

    Of the two meanings the one that is usual for the quantity is taken; where both or neither are, that of `parse_number`.
    """
    value = parse_number(text)
    match = _ONE_MARK.match(text.strip())
    if not match:
        return value, ""
    head, _, tail = match.groups()
    other = {parse_number(head + tail), parse_number(f"{head}.{tail}")} - {value}
    least, most = plausible
    if least <= value * factor <= most or not other:
        return value, ""
    meant = other.pop()
    if not least <= meant * factor <= most:
        return value, ""
    return meant, f"{text.strip()} is read as {meant:g}"


def next_step(lpmm: float) -> float | None:
    """Return the next step of the 1951 chart if `lpmm` is a step as printed on sheets (rounded to whole lp/mm), else None."""
    steps = [u.usaf_lpmm(group, element) for group in range(3, 8) for element in range(1, 7)]
    for step, following in itertools.pairwise(steps):
        if abs(lpmm - step) <= max(0.5, 0.004 * step):
            return float(round(following)) if abs(lpmm - round(lpmm)) < 1e-9 else following
    return None


def parse_figure(quantity: str, typed: str) -> Figure:
    """Return the interval that a typed figure means.

    Raises
    ------
    UsageError
        If the quantity, number or unit is unknown.
    """
    if quantity not in QUANTITIES:
        raise UsageError(f"{quantity!r} is not one of {', '.join(QUANTITIES)}.")
    kind = QUANTITIES[quantity]
    match = _RANGE.match(typed.replace("×", "x").replace("*", "x"))
    if not match:
        raise UsageError(f"{quantity}: {typed!r} does not start with a number.")
    first, second, rest = match.groups()
    label, factor, remarks = _unit(kind, rest, quantity, parse_number(first))
    ends = [_in_place(text, factor, kind.plausible) for text in (first, second) if text]
    remarks += [said for _, said in ends if said]
    low, high = ends[0][0] * factor, ends[-1][0] * factor
    if high < low:
        raise UsageError(f"{quantity}: the range {typed!r} runs backwards.")
    if low <= 0:
        raise UsageError(f"{quantity}: {typed!r} is not above zero.")
    if kind.stepwise and second is None:
        step = next_step(low)
        if step is None:
            remarks.append("not a step of the 1951 chart: taken as an interpolated value")
        else:
            high = step
    least, most = kind.plausible
    if not least <= low <= most:
        remarks.append(f"outside what is usual ({least:g} to {most:g} {kind.unit}): check number and unit")
    return Figure(quantity=quantity, typed=typed, low=low, high=high, unit=kind.unit, typed_unit=label, remarks=tuple(remarks))


def _unit(kind: Quantity, rest: str, quantity: str, number: float) -> tuple[str, float, list[str]]:
    """Return the unit's name and factor, and remarks on what was assumed."""
    spelled = re.sub(r"[\s^]", "", rest).lower().replace("·", "").replace("⁻", "-").replace("¹", "1").replace("²", "2")
    if spelled in kind.units:
        label, factor = kind.units[spelled]
        return label, factor, []
    if not spelled:
        if quantity == "ebi":
            # Practice: "2.5" without a unit is the imperial form, and figures under one are usually microlux.
            if number >= 1.0:
                return "1e-11 phot", 0.1, ["no unit typed: taken as 1e-11 phot, the customary form"]
            return "ulx", 1.0, ["no unit typed: taken as microlux; 1e-11 phot would be ten times less"]
        label, factor = next(iter(kind.units.values()))
        return label, factor, [f"no unit typed: taken as {label}"] if label != "1" and quantity != "fom" else []
    names = ", ".join(dict.fromkeys(name for name, _ in kind.units.values()))
    raise UsageError(f"{quantity}: unit {rest.strip()!r} is not one of {names}.")


def equivalents(figure: Figure, *, focal_mm: float | None = None) -> tuple[str, ...]:
    """Return the same figure in the other customary units, as short texts."""
    low, high = figure.low, figure.high

    def span(factor: float, unit: str) -> str:
        ends = f"{low * factor:.6g}" if math.isclose(low, high) else f"{low * factor:.6g}..{high * factor:.6g}"
        return f"{ends} {unit}"

    if figure.quantity == "gain":
        return span(1.0, "fL/fc"), span(u.gain_to_cdm2lx(1.0), "cd/m2/lx")
    if figure.quantity == "ebi":
        return span(1.0, "ulx"), span(10.0, "x 1e-11 phot")
    if figure.quantity == "resolution" and focal_mm:
        return span(focal_mm / 1000.0, "cycles/mrad"), span(u.cycles_per_degree(1.0, focal_mm), "cycles/degree")
    if figure.quantity == "halo" and focal_mm:
        ends = [u.angle_of_tube_mm(end, focal_mm) for end in (low, high)]
        return (f"{ends[0]:.4g} deg" if math.isclose(*ends) else f"{ends[0]:.4g}..{ends[1]:.4g} deg",)
    return ()


def read_sheet(typed: Mapping[str, str]) -> Sheet:
    """Return the figures of a sheet, what follows from them, and the contradictions.

    Parameters
    ----------
    typed : mapping
        Quantity name (see `QUANTITIES`) to the text on the sheet.

    Raises
    ------
    UsageError
        On the first entry that cannot be read.
    """
    figures = {name: parse_figure(name, text) for name, text in typed.items()}
    focal = figures["focal"].value if "focal" in figures else None
    derived: list[tuple[str, float, float, float, str, str]] = []
    doubts = [f"{name}: {remark}" for name, figure in figures.items() for remark in figure.remarks if "outside" in remark]
    if "snr" in figures and "resolution" in figures:
        _merit(figures, derived, doubts)
    if "sensitivity" in figures:
        ceiling = u.snr_ceiling(figures["sensitivity"].high)
        derived.append(
            ("snr_ceiling", ceiling, ceiling, ceiling, "1", "sqrt(S E A / 2 q B): shot noise at 1.08e-4 lx, 0.2 mm, 10 Hz")
        )
        if "snr" in figures and figures["snr"].low > ceiling:
            doubts.append(
                f"snr: {figures['snr'].low:g} is above the shot-noise ceiling {ceiling:.1f} of this sensitivity; "
                "another test, or another tube's figure"
            )
    if "halo" in figures:
        radius = 0.5 * figures["halo"].value
        derived.append(
            (
                "cathode_gap",
                0.5 * radius,
                0.5 * figures["halo"].low / 2,
                0.5 * figures["halo"].high / 2,
                "mm",
                "r = 2 d: elastic backscatter",
            )
        )
    if focal and "diameter" in figures:
        _closure(figures, focal, derived, doubts)
    same = {name: equivalents(figure, focal_mm=focal) for name, figure in figures.items()}
    return Sheet(figures=tuple(figures.values()), derived=tuple(derived), doubts=tuple(doubts), equivalents=same)


def _merit(figures: dict[str, Figure], derived: list[tuple[str, float, float, float, str, str]], doubts: list[str]) -> None:
    """Figure of merit as an interval, against the sheet's own."""
    snr, resolution = figures["snr"], figures["resolution"]
    low, high = u.figure_of_merit(snr.low, resolution.low), u.figure_of_merit(snr.high, resolution.high)
    derived.append(("figure_of_merit", low, low, high, "lp/mm", "SNR x resolution; the interval follows the resolution step"))
    if "fom" in figures:
        stated = figures["fom"].value
        if not 0.995 * low <= stated <= 1.005 * high:
            doubts.append(f"fom: {stated:g} on the sheet, but SNR x resolution gives {low:.0f} to {high:.0f}")


def _closure(
    figures: dict[str, Figure], focal: float, derived: list[tuple[str, float, float, float, str, str]], doubts: list[str]
) -> None:
    """Field from diameter and focal length, against the stated field."""
    diameter = figures["diameter"].value
    straight, theta = u.field_rectilinear(diameter, focal), u.field_ftheta(diameter, focal)
    derived.append(("field", straight, min(straight, theta), max(straight, theta), "deg", "2 atan(D/2f) to D/f"))
    if "field" in figures and not 0.97 * straight <= figures["field"].value <= 1.03 * theta:
        doubts.append(
            f"field: {figures['field'].value:g} deg stated; D {diameter:g}, f {focal:g} mm give {straight:.1f}..{theta:.1f}; "
            "calibrate degrees with a target of known angle"
        )


def compare_units(quantity: str, first: Figure, second: Figure) -> str | None:
    """Return a warning if two devices' figures differ by a factor that a wrong unit would explain, else None."""
    if first.value <= 0 or second.value <= 0:
        return None
    ratio = max(first.value, second.value) / min(first.value, second.value)
    if quantity == "gain" and abs(ratio / math.pi - 1.0) < 0.12:
        return f"gain: the two differ by {ratio:.2f}; a factor of 3.14 is usually fL/fc against cd/m2/lx, not a better tube"
    if quantity == "ebi" and 8.0 < ratio < 12.5:
        return f"ebi: the two differ by {ratio:.1f}; a factor of ten is usually 1e-11 phot against microlux"
    return None


__all__ = [
    "QUANTITIES",
    "Figure",
    "Quantity",
    "Sheet",
    "compare_units",
    "equivalents",
    "next_step",
    "parse_figure",
    "parse_number",
    "read_sheet",
]
