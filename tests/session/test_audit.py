"""The comparison of evidence: same, different, unknown; one altered clip among twelve."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.session.audit import SETTINGS, Evidence, Source, audit, compare_pixels, compare_setting, count_words, same_value

CLIPS = [f"clip-{n:02d}" for n in range(12)]


def stated(clip: str, value: float | str, source: Source = "file", setting: str = "iso") -> Evidence:
    return Evidence(clip=clip, setting=setting, text=f"ISO {value}", value=value, source=source)


def test_same_needs_every_clip() -> None:
    row = compare_setting("iso", CLIPS, [stated(clip, 3200.0) for clip in CLIPS])
    assert row.state == "same" and not row.typed and "all 12" in row.sentence
    row = compare_setting("iso", CLIPS, [stated(clip, 3200.0) for clip in CLIPS[:-1]])
    assert row.state == "unknown" and "clip-11" in row.sentence
    assert compare_setting("iso", CLIPS, []).state == "unknown"
    assert compare_setting("iso", CLIPS[:1], [stated(CLIPS[0], 1.0)]).state == "unknown"


def test_one_altered_clip_among_twelve_is_named() -> None:
    for altered in range(12):
        evidence = [stated(clip, 6400.0 if n == altered else 3200.0) for n, clip in enumerate(CLIPS)]
        row = compare_setting("iso", CLIPS, evidence)
        assert row.state == "different" and row.odd == (CLIPS[altered],)
        assert "6400" in row.sentence and "3200" in row.sentence


def test_different_even_if_others_are_silent() -> None:
    row = compare_setting("iso", CLIPS, [stated(CLIPS[0], 100.0), stated(CLIPS[1], 200.0)])
    assert row.state == "different" and "Nothing is known" in row.sentence


def test_typed_values_are_marked_and_yield_to_the_file() -> None:
    row = compare_setting("iso", CLIPS, [stated(clip, 3200.0, "typed") for clip in CLIPS])
    assert row.state == "same" and row.typed and "Typed by the user" in row.sentence
    mixed = [stated(clip, 3200.0) for clip in CLIPS] + [stated(CLIPS[3], 100.0, "typed")]
    row = compare_setting("iso", CLIPS, mixed)
    assert row.state == "different" and "Contradiction" in row.sentence
    assert dict((clip, source) for clip, _, source in row.values)[CLIPS[3]] == "file"


def test_values_compare_by_meaning() -> None:
    assert same_value(1 / 50, 0.02) and not same_value(1 / 50, 1 / 60)
    # Nominal 29.97 and 30 frames a second are a thousandth apart, and are told apart only beyond half a per cent.
    assert same_value("HLG  Rec", "hlg rec") and not same_value("hlg", 1.0)
    assert not same_value(25.0, 30000 / 1001)


@pytest.mark.parametrize("seed", range(5))
def test_pixels_name_the_outlier_and_nobody_else(seed: int) -> None:
    rng = np.random.default_rng(seed)
    level = 0.2 * (1 + rng.normal(0, 0.02, 12))
    level[7] *= 1.6

    def evidence(values: np.ndarray) -> list[Evidence]:
        return [
            Evidence(clip=clip, setting="level", text=f"{v:.3f}", value=float(v), source="pixels", group="d")
            for clip, v in zip(CLIPS, values, strict=True)
        ]

    row = compare_pixels("level", CLIPS, evidence(level))
    assert row.state == "different" and row.odd == ("clip-07",)
    level[7] /= 1.6
    assert compare_pixels("level", CLIPS, evidence(level)).odd == ()


def test_devices_that_differ_are_no_proof_about_the_camera() -> None:
    values = {"a": 0.2, "b": 0.35, "c": 0.15}
    evidence = [Evidence(clip=c, setting="level", text=str(v), value=v, source="pixels", group=c) for c, v in values.items()]
    row = compare_pixels("level", list(values), evidence)
    assert row.state == "unknown" and "too few clips" in row.sentence


@pytest.mark.parametrize("seed", range(3))
def test_a_bright_device_is_no_altered_camera(seed: int) -> None:
    # Four clips of three devices, two takes of one: whichever device is brighter, the pixels accuse no clip.
    rng = np.random.default_rng(seed)
    groups = ["a", "b", "b", "c"]
    light = {"a": 0.11, "b": 0.09, "c": 0.074}
    evidence = [
        Evidence(clip=f"{n}", setting="level", text="", value=light[g] * (1 + rng.normal(0, 0.01)), source="pixels", group=g)
        for n, g in enumerate(groups)
    ]
    row = compare_pixels("level", [e.clip for e in evidence], evidence)
    assert row.state == "unknown" and row.odd == () and "too few clips" in row.sentence


def test_whole_audit_lists_every_setting() -> None:
    rows = audit(CLIPS, [stated(clip, 3200.0) for clip in CLIPS])
    assert [row.setting for row in rows] == list(SETTINGS)
    assert sum(row.state == "same" for row in rows) == 1
    assert count_words(rows) == f"1 same, 0 different, {len(SETTINGS) - 1} unknown"
