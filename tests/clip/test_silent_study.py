"""How often silent damage is suspected, and how often a good clip: studies, with numbers printed.

pytest -m slow -n 0 -s tests/clip/test_silent_study.py
"""

import pytest

from clipmark.clip import check, open_clip
from tests.clip.silent_study import (
    CODINGS,
    clips_of_others,
    drawn,
    look,
    outcomes,
    pictures_of,
    sample_clips,
)

pytestmark = pytest.mark.slow
WAYS = ((30, 24), (12, 34))  # frames a group; quality, fine and very coarse
VISIBLE = 8  # blocks: two of a card's dots would be as large
# Suspected of the wrong and silent, at least: half of what the study gave when it was written
AT_LEAST = {"HEVC, no B pictures": 0.18, "HEVC, open groups": 0.07, "VP9, realtime": 0.25}


def sources(folder):
    """Pictures by name: every sample clip, drawn sessions, footage of others."""
    for path in [*sample_clips(), *clips_of_others()]:
        yield path.stem, pictures_of(path, 100)
    for seed in (2001, 2002, 2003, 2004):
        yield f"session {seed}", drawn(seed, folder, 200)


def test_good_clips_are_hardly_ever_suspected(tmp_path):
    alarms, clips, frames = [], 0, 0
    for path in [*sample_clips(), *clips_of_others()]:
        with open_clip(path) as clip:
            check(clip)
            assert "suspected-damage" not in [finding.code for finding in clip.findings], path
    for name, pictures in sources(tmp_path):
        for how, coding in CODINGS.items():
            for group, quality in WAYS:
                path = coding.write(pictures, tmp_path / ("good" + coding.suffix), group, quality)
                seen = look(path)
                clips, frames = clips + 1, frames + seen.frames
                if seen.suspected:
                    alarms.append((name, how, group, quality, seen.suspected))
    print(f"\n{len(alarms)} of {clips} good clips ({frames} frames) suspected: {alarms}")
    assert len(alarms) <= clips / 100


@pytest.mark.parametrize("how", [how for how in CODINGS if how != "ProRes"])
def test_silent_damage_is_suspected_in_many_files(how, tmp_path):
    """Files whose pictures are visibly wrong and of which nothing else is said."""
    found = []
    for name, pictures in sources(tmp_path):
        if name in ("session 2001", "session 2003", "whinfell-creep-varying", "bikes"):
            path = CODINGS[how].write(pictures, tmp_path / ("a" + CODINGS[how].suffix), 30, 26)
            found += outcomes(path, 7, 14)
    wrong = [one for one in found if one.differ >= VISIBLE]
    silent = [one for one in wrong if not one.told]
    suspected = [one for one in silent if one.suspected]
    print(f"\n{how}: {len(wrong)} wrong, {len(silent)} silent, {len(suspected)} of them suspected")
    assert len(suspected) >= AT_LEAST.get(how, 0.0) * len(silent)
    assert not [one for one in found if one.suspected and one.differ == 0 and not one.told]
