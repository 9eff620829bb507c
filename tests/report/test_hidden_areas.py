"""What is to be hidden is hidden for good, in every picture that leaves the house."""

import zipfile

import av
import cv2
import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.errors import MarkError, RecordError
from clipmark.record.backup import backup
from clipmark.record.hidden_areas import HiddenArea, keep_areas, kept_areas
from clipmark.report.blur import BLOCKS, LEVELS, Hider
from clipmark.report.make import Wanted
from clipmark.reporting import report_of_event
from tests.report.report_kit import make_event, picture

PLATE = HiddenArea(20, 20, 70, 40)  # the number plate of the drawn clip


@pytest.mark.parametrize(
    ("text", "area"),
    [
        ("1,2,3,4", HiddenArea(1, 2, 3, 4)),
        (" 1.5, 2, 30 ,4@7:12 ", HiddenArea(1.5, 2, 30, 4, 7, 12)),
    ],
)
def test_an_area_is_read_as_it_is_written(text, area):
    assert HiddenArea.parse(text) == area


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("1,2,3", "the area to hide (--blur) '1,2,3' cannot be read; give it as x,y,w,h in px of "
         "the upright picture, with @FIRST:LAST behind it for some frames only"),
        ("1,2,0,4", "the area to hide 1,2,0,4 has no size; width and height must be above 0"),
        ("1,2,3,4@9:2", "the area to hide runs backwards, from frame 9 to 2; give the earlier "
         "frame first"),
        ("nan,2,3,4", "the area to hide nan,2,3,4 has no size; width and height must be above 0"),
    ],
)  # fmt: skip
def test_an_area_that_cannot_be_meant_is_refused(text, sentence):
    with pytest.raises(MarkError) as refusal:
        HiddenArea.parse(text)
    assert str(refusal.value) == sentence


def test_a_hidden_area_keeps_only_a_few_flat_blocks_in_few_colours():
    shown = np.random.default_rng(1).integers(0, 256, (200, 300, 3), dtype=np.uint8)
    part = Hider([HiddenArea(40, 30, 120, 60)])(shown, 0)[30:90, 40:160]
    assert len(np.unique(part.reshape(-1, 3), axis=0)) <= BLOCKS**2
    assert len(np.unique(part)) <= LEVELS


def test_two_different_plates_of_one_brightness_look_alike():
    """The letters of a plate are finer than its blocks, so that nothing tells which one it was."""
    plates = []
    for seed in (1, 2):
        shown = np.full((80, 120, 3), 90, np.uint8)
        letters = np.random.default_rng(seed).permuted(np.repeat([20, 200], 60 * 100 // 2))
        shown[10:70, 10:110] = letters.reshape(60, 100, 1)
        plates.append(Hider([HiddenArea(8, 8, 104, 64)])(shown, 0))
    assert (plates[0] == plates[1]).all()


def test_blocks_do_not_change_from_frame_to_frame():
    """Else a moving clip could be put together again from many coarse pictures."""
    hide = Hider([HiddenArea(190, 50, 200, 80)])
    first, later = (hide(cv2.merge([picture(n)] * 3), n) for n in (0, 15))
    assert (first[50:130, 190:390] == later[50:130, 190:390]).all()


def test_outside_of_its_frames_and_its_area_a_picture_is_untouched():
    shown = cv2.merge([picture(3)] * 3)
    hide = Hider([HiddenArea(20, 20, 70, 40, 4, 6)])
    assert (hide(shown, 3) == shown).all()
    hidden = hide(shown, 5)
    assert (hidden[:, 100:] == shown[:, 100:]).all()
    assert (hidden[20:60, 20:90] != shown[20:60, 20:90]).any()


def checks_in(gray: np.ndarray) -> float:
    """Contrast of the drawn plate's checks: neighbouring columns against each other."""
    return float(np.abs(np.diff(gray.astype(float), axis=1)).max())


def test_a_plate_is_hidden_in_still_page_and_clip(drawn_event, tmp_path):
    with open_clip(next((drawn_event / "clips").iterdir())) as clip:
        sha256 = clip.sha256
    wanted = Wanted(clips=True, hidden={sha256: [PLATE]})
    paths = report_of_event(drawn_event, out=tmp_path / "out", attempts=["a0001"], wanted=wanted)
    still = cv2.imread(str(tmp_path / "out" / "stills" / "a0001.jpg"), cv2.IMREAD_GRAYSCALE)
    by = 2  # the still shows the small clip at twice its size
    assert checks_in(still[22 * by : 58 * by, 22 * by : 88 * by]) < 60
    with av.open(str(tmp_path / "out" / "clips" / "a0001.mp4")) as container:
        for frame in container.decode(video=0):
            shown = frame.to_ndarray(format="gray")
            assert checks_in(shown[22:58, 22:88]) < 60
    page = paths.page.read_text()
    assert "1 area is made unrecognisable in stills and clips." in page


def test_kept_areas_hold_for_every_report(drawn_event, tmp_path):
    with open_clip(next((drawn_event / "clips").iterdir())) as clip:
        keep_areas(drawn_event, clip.sha256, [PLATE])
    try:
        report_of_event(drawn_event, out=tmp_path / "out", attempts=["a0002"])
    finally:
        keep_areas(drawn_event, clip.sha256, [])
    still = cv2.imread(str(tmp_path / "out" / "stills" / "a0002.jpg"), cv2.IMREAD_GRAYSCALE)
    assert checks_in(still[44:116, 44:176]) < 60


def test_areas_are_kept_by_clip_and_can_be_forgotten(tmp_path):
    keep_areas(tmp_path, "a" * 64, [PLATE, PLATE])
    keep_areas(tmp_path, "b" * 64, [HiddenArea(1, 2, 3, 4, 0, 9)])
    assert kept_areas(tmp_path) == {
        "a" * 64: (PLATE,),
        "b" * 64: (HiddenArea(1, 2, 3, 4, 0, 9),),
    }
    keep_areas(tmp_path, "a" * 64, [])
    assert list(kept_areas(tmp_path)) == ["b" * 64]


def test_a_backup_holds_what_is_to_be_hidden(tmp_path):
    with make_event(tmp_path / "event", []) as event:
        keep_areas(event.path, "a" * 64, [PLATE])
        backup(event, tmp_path / "backup.zip")
    with zipfile.ZipFile(tmp_path / "backup.zip") as copy:
        assert any(name.endswith("hidden-areas.json") for name in copy.namelist())


@pytest.mark.parametrize("text", ["{", '{"clips": {"x": [{"x": 1}]}}', '["x"]', "\xff"])
def test_a_list_that_cannot_be_read_hides_nothing_silently(tmp_path, text):
    (tmp_path / "hidden-areas.json").write_bytes(text.encode("latin-1"))
    with pytest.raises(RecordError, match=r"nothing is shown while it is not known what to hide"):
        kept_areas(tmp_path)


def test_an_area_outside_of_the_picture_shows_no_still(drawn_event, tmp_path):
    with open_clip(next((drawn_event / "clips").iterdir())) as clip:
        wanted = Wanted(hidden={clip.sha256: [HiddenArea(700, 0, 20, 20)]})
    paths = report_of_event(drawn_event, out=tmp_path / "o", attempts=["a0001"], wanted=wanted)
    assert not (tmp_path / "o" / "stills").exists()
    assert paths.left_out["a0001"] == [
        "No still is shown: the area to hide 700,0,20,20 lies outside of the picture of "
        "event-source.mp4 (640 x 360 px); give it again (--blur)."
    ]
    assert paths.page.read_text().count("lies outside of the picture") == 1
