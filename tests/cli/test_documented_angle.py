"""What is documented of an angle reading is what is printed."""

import re
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "formats.md"


def documented() -> dict[str, str]:
    """Keys of the table under "An angle reading", and what each row says."""
    section = PAGE.read_text(encoding="utf-8").split("## An angle reading")[1].split("\n## ")[0]
    rows = re.findall(r"^\| (`[^|]*`[^|]*) \| (.*) \|$", section, re.MULTILINE)
    return {key: words for cell, words in rows for key in re.findall(r"`([^`]*)`", cell)}


def test_every_key_of_an_angle_is_on_the_page_and_no_other(clipmark, drawn_clip):
    read = clipmark(*drawn_clip.angle, "--plumb", drawn_clip.plumb, "--json").json
    parts = re.compile(r"_(u95|low95|high95)(?=_)")
    optional = {key for key, words in documented().items() if words.startswith("only with")}
    assert optional == {"stand", "saved", "saved_stand"}
    assert {parts.sub("", key) for key in read} == set(documented()) - optional


def test_every_setting_of_an_angle_is_on_the_page(clipmark, drawn_clip):
    read = clipmark(*drawn_clip.angle, "--plumb", drawn_clip.plumb, "--json").json
    named = set(re.findall(r"`([^`]*)`", documented()["settings"]))
    assert set(read["settings"]) <= named
