"""The page's colours: contrast of text, controls and focus in both themes (WCAG 2.2)."""

import re
from pathlib import Path

import pytest

import clipmark.page

TOKENS = Path(clipmark.page.__file__).parent / "static" / "css" / "tokens.css"
GROUNDS = ("paper", "paper-raised", "paper-sunk", "accent-wash")
TEXTS = ("ink", "ink-soft", "accent", "good", "bad", "warn")
EDGES = ("rule-strong", "focus")


def palettes() -> list[dict[str, str]]:
    """Every block of tokens.css that sets colours: light, dark of the system, dark chosen."""
    blocks = re.findall(r"\{([^{}]*--paper:[^{}]*)\}", TOKENS.read_text(encoding="utf-8"))
    return [dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", block)) for block in blocks]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours such as #50575c."""
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return sum(weight * c for weight, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def test_the_ratio_is_that_of_the_guidelines() -> None:
    """Black on white is 21; #767676 on white is the lightest grey that passes for text."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.5422, abs=5e-4)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.4781, abs=5e-4)


def test_dark_is_the_same_whether_the_system_or_the_operator_chose_it() -> None:
    """The two dark blocks cannot share one rule, so they must not drift apart."""
    light, system, chosen = palettes()
    assert system == chosen
    assert set(light) == set(chosen)
    assert light != chosen


@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
def test_text_edges_and_focus_stand_out_on_every_ground(theme: int, ground: str) -> None:
    """Text at least 4.5:1; edges of fields and the focus ring at least 3:1."""
    colours = palettes()[theme]
    weak = {name: round(contrast(colours[name], colours[ground]), 2) for name in TEXTS}
    assert {name: ratio for name, ratio in weak.items() if ratio < 4.5} == {}
    faint = {name: round(contrast(colours[name], colours[ground]), 2) for name in EDGES}
    assert {name: ratio for name, ratio in faint.items() if ratio < 3.0} == {}


@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
def test_words_on_the_main_button_stand_out(theme: int) -> None:
    """accent-ink is written on accent."""
    colours = palettes()[theme]
    assert contrast(colours["accent-ink"], colours["accent"]) >= 4.5
