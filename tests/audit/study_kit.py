"""Attempts that were marked several times, with known truth: in the journal or in memory, no clips.

Every reading states a budget in which lens and level are shared and the ramp line is the marking's
own.
"""

import math

import numpy as np

from clipmark.audit.markings import Marking, Markings
from clipmark.record.folder import EventFolder
from clipmark.record.readings import Reading
from clipmark.record.texts import as_model

SHARED_U = {"lens": 0.15, "plumb line itself": 0.05}
CLIP = "c" * 64
SHEET = """
[event]
name = "Tarn Hollow Pocket Trials"

[[test]]
id = "rough"
kind = "ladder"
steps_deg = [30, 33, 35, 36, 38]
"""


def reading(ramp_deg, own_u=0.05, frame=10, mark=0.0, clip=CLIP):
    """An angle reading as the journal keeps it; `mark` tells one marker's line from another's."""
    u = math.sqrt(own_u**2 + sum(x**2 for x in SHARED_U.values()))
    rows = [{"source": "ramp line in the picture", "kind": "A", "u_deg": own_u, "dof": 40.0,
             "advice": ""}]  # fmt: skip
    rows += [
        {"source": name, "kind": "B", "u_deg": x, "dof": None, "advice": ""}
        for name, x in SHARED_U.items()
    ]
    return {
        "measure": "angle",
        "versions": {"clipmark": "0.1.0"},
        "result": {
            "ramp_deg": ramp_deg,
            "ramp_u95_deg": 1.96 * u,
            "ramp_low95_deg": ramp_deg - 1.96 * u,
            "ramp_high95_deg": ramp_deg + 1.96 * u,
            "budget": {"ramp_deg": rows},
            "lines": {
                "ramp": {"marked": [[100.0, 320.0 + mark, 520.0, 96.0]]},
                "plumb": {"marked": [[561.0, 40.0, 563.0, 300.0]]},
            },
            "settings": {"lens": None, "sheet": None},
            "frame": frame,
            "t_s": frame / 30,
            "clip_sha256": clip,
            "fingerprint": f"frame {frame}",
            "warnings": [],
        },
    }


def attempt(ramp_deg, by="Fell", verdict="cleared", **more):
    return {
        "entry": "Siskin",
        "test": "rough",
        "readings": [reading(ramp_deg, **more)],
        "verdict": verdict,
        "marked_by": by,
    }


def new_event(path, sheet=SHEET):
    event = EventFolder.create(path, name="Tarn Hollow Pocket Trials")
    (path / "event.toml").write_text(sheet, encoding="utf-8")
    return event


def save_blind(event, plan_id, marker, rows, closed=True, revision=1):
    """A blind session: `rows` of (attempt, showing, ramp_deg, verdict, further of `reading`)."""
    items = [
        {"attempt": {"id": name, "revision": revision}, "showing": showing}
        for name, showing, *_ in rows
    ]
    plan = {"what": "plan", "marker": marker, "items": items, "seed": 1, "closed": closed}
    event.save_record("blind", plan, by=marker, id=plan_id)
    for number, (name, showing, ramp_deg, verdict, more) in enumerate(rows, start=1):
        body = {
            "what": "marking",
            "plan": {"id": plan_id, "revision": 1},
            "item": number,
            "attempt": {"id": name, "revision": revision},
            "showing": showing,
            "marker": marker,
            "readings": [] if ramp_deg is None else [reading(ramp_deg, **more)],
            "verdict": verdict,
            "left_out": "too dark to see" if ramp_deg is None else "",
        }
        event.save_record("blind", body, by=marker, id=f"{plan_id}-{number:03d}")


def drawn(
    *, attempts=8, blind=("Marsh",), showings=1, bias=(0.0, 0.0, 0.0), own_u=0.05, seed=1,
    scatter=1.0,
):  # fmt: skip
    """Originals by Fell and sessions of blind markers, from one known truth.

    Markings scatter by `scatter` times `own_u` about the truth, moved by each marker's bias; what
    lens and level get wrong moves all markings of an attempt alike.

    Returns
    -------
    (list of float, dict of str to list)
        Ramp angles of the originals, and by marker rows as `save_blind` takes them, with the place
        of the attempt, from 0, for its id.
    """
    rng = np.random.default_rng(seed)
    truth = rng.uniform(30.0, 38.0, attempts) + 0.15 * rng.standard_normal(attempts)

    def marked(k, who):
        own = dict(enumerate(bias)).get(who, 0.0) + scatter * own_u * rng.standard_normal()
        return float(truth[k] + own)

    originals = [marked(k, 0) for k in range(attempts)]
    sessions = {
        marker: [
            (k, showing, marked(k, who), "failed" if k == 0 else "cleared",
             {"own_u": own_u, "mark": float(10 * who + showing)})
            for showing in range(1, showings + 1)
            for k in range(attempts)
        ]
        for who, marker in enumerate(blind, start=1)
    }  # fmt: skip
    return originals, sessions


def drawn_event(path, **more):
    """What `drawn` gives, saved: an open event folder."""
    originals, sessions = drawn(**more)
    event = new_event(path)
    own_u = more.get("own_u", 0.05)
    ids = [event.save_attempt(attempt(x, own_u=own_u), by="Fell").id for x in originals]
    for who, (marker, rows) in enumerate(sessions.items(), start=1):
        save_blind(event, f"b{who:03d}", marker, [(ids[row[0]], *row[1:]) for row in rows])
    return event


def drawn_markings(**more):
    """What `drawn` gives, as it is gathered from such an event."""
    originals, sessions = drawn(**more)
    own_u = more.get("own_u", 0.05)
    ids = [f"a{k + 1:04d}" for k in range(len(originals))]

    def marking(k, marker, blind, ramp_deg, verdict, **told):
        read = as_model(Reading, reading(ramp_deg, **told), "the reading")
        return Marking(ids[k], "rough", "Siskin", marker, blind, (read,), verdict)

    found = [marking(k, "Fell", False, x, "cleared", own_u=own_u) for k, x in enumerate(originals)]
    found += [
        marking(k, marker, True, x, verdict, **told)
        for marker, rows in sessions.items()
        for k, _, x, verdict, told in rows
    ]
    return Markings(tuple(found), ())
