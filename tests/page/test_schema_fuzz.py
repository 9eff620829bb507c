"""Whatever is sent to the published API, the server answers with something other than a defect.

schemathesis (an independent fuzzer) makes the requests from the published schema, good ones and
bad ones. Half of them are pointed at the clip, attempt and stand that exist, so that they get past
the first check.
"""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from starlette.testclient import TestClient

from clipmark.page.app import event_app
from clipmark.page.desk import Desk
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt, Stand
from clipmark.record.readings import Reading
from clipmark.sample.media import sample_media_folder

QUICK, LONG = 12, 1_000
PUBLISHED: dict[str, Any] = event_app(None).openapi()  # type: ignore[arg-type]
OPERATIONS = [(method, path) for path, methods in PUBLISHED["paths"].items() for method in methods]
SCHEMA = schemathesis.openapi.from_dict(PUBLISHED)


ANGLE = {
    "ramp_deg": 12.3,
    "ramp_u95_deg": 0.2,
    "ramp_low95_deg": 12.1,
    "ramp_high95_deg": 12.5,
    "frame": 0,
    "t_s": 0.0,
    "fingerprint": "0" * 64,
    "warnings": [],
}


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, dict[str, str]]]:
    """An event with one clip, attempt and stand, served in this process; and their ids."""
    folder: Path = tmp_path_factory.mktemp("fuzz")
    path = folder / "event"
    with pytest.MonkeyPatch.context() as patch:
        for name in ("XDG_CACHE_HOME", "XDG_STATE_HOME"):
            patch.setenv(name, str(folder / name.lower()))
        with EventFolder.create(path, name="Tarn Hollow Pocket Trials") as event:
            clip = event.add_clip(sample_media_folder() / "siskin-stall.mp4")
            reading = Reading.from_measured("angle", ANGLE | {"clip_sha256": clip.sha256})
            event.save_attempt(
                Attempt(entry="Siskin", test="creep", clip=clip, readings=(reading,)),
                by="R. Aldous",
            )
            event.save_stand(Stand(name="left"), by="R. Aldous", id="left")
        shutil.copytree(sample_media_folder() / "lenses", path / "lenses", dirs_exist_ok=True)
        desk = Desk(path)
        with TestClient(event_app(desk), raise_server_exceptions=False) as client:
            yield (
                client,
                {
                    "sha": clip.sha256,
                    "id": "a0001",
                    "key": "a0001",
                    "stand_id": "left",
                    "errand": desk.errands.start(lambda _: None).id,
                },
            )


def fuzz(operation: tuple[str, str], known: tuple[TestClient, dict[str, str]], count: int) -> None:
    method, path = operation
    client, ids = known
    target = SCHEMA[path][method.upper()]
    cases = st.one_of(
        target.as_strategy(generation_mode=GenerationMode.POSITIVE),
        target.as_strategy(generation_mode=GenerationMode.NEGATIVE),
    )
    sent = 0

    @settings(
        max_examples=count,
        deadline=None,
        derandomize=count == QUICK,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=cases, aimed=st.booleans())
    def once(case: Any, aimed: bool) -> None:
        nonlocal sent
        if aimed and case.path_parameters:
            case.path_parameters = {
                name: ids.get(name, value) for name, value in case.path_parameters.items()
            }
        sent += 1
        request = case.as_transport_kwargs(base_url="http://testserver")
        known_fields = ("method", "url", "params", "json", "data", "content", "headers", "cookies")
        kept = {name: value for name, value in request.items() if name in known_fields}
        answer = client.request(**kept)
        assert answer.status_code < 500, f"{case.as_curl_command()}: {answer.text}"

    once()
    assert sent >= 1


@pytest.mark.parametrize("operation", OPERATIONS, ids=lambda o: f"{o[0]} {o[1]}")
def test_no_request_is_answered_with_a_defect(operation, known):
    fuzz(operation, known, QUICK)


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("operation", OPERATIONS, ids=lambda o: f"{o[0]} {o[1]}")
def test_a_thousand_requests_are_answered_without_a_defect(operation, known):
    fuzz(operation, known, LONG)
