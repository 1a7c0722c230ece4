"""What a file says about its code values, what is assumed where it is silent, and what the user overrules.

The rule, in this order: the user's choice; the tag of the decoded pictures (bitstream, filled in from the container by the
demuxer where the bitstream is silent); an assumption, recorded in words.  Assumptions:

- range: narrow (full for the JPEG family, for RGB and for pictures that are no video);
- matrix: BT.709 for pictures of 720 lines or more or 1280 columns or more, else BT.601; BT.2020 if the primaries are BT.2020;
- transfer: BT.709 (sRGB for RGB-coded files and for pictures that are no video);
- primaries: those that belong to the matrix.
"""

from __future__ import annotations

from dataclasses import dataclass

# ITU-T H.273 code points.
TRANSFERS_H273 = {
    1: "bt709",
    4: "gamma2.2",
    5: "gamma2.8",
    6: "bt601",
    8: "linear",
    11: "bt709",
    12: "bt709",
    13: "srgb",
    14: "bt2020",
    15: "bt2020",
    16: "pq",
    17: "gamma2.6",
    18: "hlg",
}
TRANSFER_NUMBERS = {
    "bt709": 1,
    "gamma2.2": 4,
    "gamma2.8": 5,
    "bt601": 6,
    "linear": 8,
    "srgb": 13,
    "bt2020": 14,
    "pq": 16,
    "gamma2.6": 17,
    "hlg": 18,
}
MATRICES_H273 = {0: "rgb", 1: "bt709", 4: "fcc", 5: "bt601", 6: "bt601", 7: "smpte240m", 9: "bt2020"}
MATRIX_NUMBERS = {"rgb": 0, "bt709": 1, "fcc": 4, "bt601": 6, "smpte240m": 7, "bt2020": 9}
PRIMARIES_H273 = {
    1: "bt709",
    4: "bt470m",
    5: "bt601-625",
    6: "bt601-525",
    7: "bt601-525",
    8: "film",
    9: "bt2020",
    12: "p3",
}
PRIMARIES_NUMBERS = {"bt709": 1, "bt470m": 4, "bt601-625": 5, "bt601-525": 6, "film": 8, "bt2020": 9, "p3": 12}
UNSPECIFIED = {2, 0, 3}
UNUSED_TRANSFERS = {7: "SMPTE 240M", 9: "logarithmic 100:1", 10: "logarithmic 316:1"}


@dataclass(frozen=True, slots=True)
class LightChoice:
    """What the user says of a clip's code values, against or in place of its tags; None: as tagged or assumed."""

    transfer: str | None = None
    range: str | None = None
    matrix: str | None = None
    primaries: str | None = None


@dataclass(frozen=True, slots=True)
class ColourTags:
    """Numbers of ITU-T H.273 as read from a decoded picture; `range`: 0 none, 1 narrow, 2 full."""

    transfer: int = 2
    range: int = 0
    matrix: int = 2
    primaries: int = 2


@dataclass(frozen=True, slots=True)
class LightSpec:
    """How code values are turned into light, and how far that was said, chosen or assumed."""

    transfer: str
    range: str
    matrix: str
    primaries: str
    bits: int
    assumed: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def resolve(
    tags: ColourTags,
    *,
    width: int,
    height: int,
    bits: int,
    rgb: bool,
    jpeg: bool,
    still: bool = False,
    grey: bool = False,
    choice: LightChoice | None = None,
) -> LightSpec:
    """Return the light specification of a clip.

    Parameters
    ----------
    tags : ColourTags
        As decoded.
    width, height : int
        Stored size in px.
    bits : int
        Bits per component.
    rgb, jpeg : bool
        Whether the pixel format is RGB; whether it belongs to the JPEG family (full range by definition).
    still : bool
        A picture file: full range and sRGB where it is silent.
    grey : bool
        No chroma: nothing to say of a matrix.
    choice : LightChoice, optional
        What the user overrules.
    """
    choice = choice or LightChoice()
    said: list[str] = []
    odd: list[str] = []
    code_range = _range(tags, choice, rgb or still, jpeg, said)
    matrix = _matrix(tags, choice, width, height, rgb, said, odd)
    transfer = _transfer(tags, choice, rgb or still, said, odd)
    primaries = _primaries(tags, choice, "bt709" if still else matrix, height, said)
    if grey:
        said = [text for text in said if "matrix" not in text or "chosen" in text]
        odd = [text for text in odd if "matrix" not in text]
    if not grey and not still:
        _conflicts(tags, choice, matrix, transfer, primaries, odd)
    return LightSpec(transfer, code_range, matrix, primaries, bits, tuple(said), tuple(odd))


def _range(tags: ColourTags, choice: LightChoice, full: bool, jpeg: bool, said: list[str]) -> str:
    if choice.range:
        said.append(f"range {choice.range}: chosen by the user")
        return choice.range
    if tags.range == 2 or (jpeg and tags.range != 1):
        return "full"
    if tags.range == 1:
        return "narrow"
    guess = "full" if full else "narrow"
    said.append(f"range {guess}: not tagged")
    return guess


def _matrix(tags: ColourTags, choice: LightChoice, width: int, height: int, rgb: bool, said: list[str], odd: list[str]) -> str:
    if rgb:
        return "rgb"
    if choice.matrix and choice.matrix != "rgb":
        said.append(f"matrix {choice.matrix}: chosen by the user")
        return choice.matrix
    if choice.matrix == "rgb":
        odd.append("matrix rgb was chosen, but the file holds luma and chroma; the choice is not used")
    named = MATRICES_H273.get(tags.matrix)
    if named and named != "rgb":
        return named
    if named == "rgb":
        odd.append("the matrix is tagged RGB, but the file holds luma and chroma; the tag is not used")
    if tags.primaries == 9:
        guess, why = "bt2020", "the primaries are BT.2020"
    elif height >= 720 or width >= 1280:
        guess, why = "bt709", "720 lines or more"
    else:
        guess, why = "bt601", "fewer than 720 lines"
    what = "not tagged" if tags.matrix in UNSPECIFIED else f"tag {tags.matrix} is not supported"
    said.append(f"matrix {guess}: {what}, {why}")
    return guess


def _transfer(tags: ColourTags, choice: LightChoice, computer: bool, said: list[str], odd: list[str]) -> str:
    if choice.transfer:
        said.append(f"transfer {choice.transfer}: chosen by the user")
        return choice.transfer
    named = TRANSFERS_H273.get(tags.transfer)
    if named:
        if named == "pq":
            odd.append("PQ: scene light rests on the reference rendering of BT.2100; a camera may use another")
        return named
    guess = "srgb" if computer else "bt709"
    if tags.transfer in UNSPECIFIED:
        said.append(f"transfer {guess}: not tagged")
    else:
        label = UNUSED_TRANSFERS.get(tags.transfer, f"number {tags.transfer}")
        said.append(f"transfer {guess}: the tagged one ({label}) is not supported")
        odd.append(f"transfer tag {label} is not supported: set the transfer by hand before trusting light values")
    return guess


def _primaries(tags: ColourTags, choice: LightChoice, matrix: str, height: int, said: list[str]) -> str:
    if choice.primaries:
        said.append(f"primaries {choice.primaries}: chosen by the user")
        return choice.primaries
    named = PRIMARIES_H273.get(tags.primaries)
    if named:
        return named
    if matrix == "bt601":
        guess = "bt601-625" if tags.matrix == 5 or height in (576, 288) else "bt601-525"
    elif matrix == "bt2020":
        guess = "bt2020"
    else:
        guess = "bt709"
    said.append(f"primaries {guess}: not tagged, taken with the matrix")
    return guess


def _conflicts(tags: ColourTags, choice: LightChoice, matrix: str, transfer: str, primaries: str, odd: list[str]) -> None:
    """Note combinations that no standard describes; the tags are still followed."""
    family = {"bt601": "601", "bt709": "709", "bt2020": "2020", "bt601-525": "601", "bt601-625": "601"}
    parts = {family.get(matrix, ""), family.get(primaries, "")} - {""}
    if transfer in ("hlg", "pq") and (matrix != "bt2020" and matrix != "rgb"):
        odd.append(f"{transfer.upper()} with a {matrix} matrix is unusual; the tags were followed")
    elif len(parts) > 1 and "rgb" not in matrix:
        odd.append(f"matrix {matrix} with primaries {primaries} is a mixed set; the tags were followed")
    if tags.transfer == 15 and transfer == "bt2020" and not choice.transfer:
        odd.append("transfer tagged for 12-bit BT.2020: its constants differ by less than 0.1 % and are not used")


__all__ = [
    "MATRIX_NUMBERS",
    "PRIMARIES_NUMBERS",
    "TRANSFER_NUMBERS",
    "ColourTags",
    "LightChoice",
    "LightSpec",
    "resolve",
]
