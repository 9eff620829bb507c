"""The page in a bundle that people read first: plain HTML, no script, nothing from elsewhere.

It follows from record and manifest alone, so that whoever checks a bundle can make it anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape

from clipmark.audit.bundle_howto import CHAIN_PROGRAM, FRAME_PROGRAM, LINE_COMMAND, SUMS_COMMAND
from clipmark.audit.bundle_manifest import Manifest
from clipmark.audit.bundle_record import JOURNAL, BundleRecord
from clipmark.audit.value_words import number_words, unit_of, words_of
from clipmark.record.audit_records import Protest, RulingRecord
from clipmark.record.body_words import figure, spoken
from clipmark.record.models import Attempt, Claim, Ruling
from clipmark.record.readings import HEADLINES, Reading, beside
from clipmark.record.texts import as_model
from clipmark.uncertainty.digits import digits_for

_STYLE = """
body { font: 1rem/1.5 system-ui, sans-serif; max-width: 52rem; margin: 2rem auto; padding: 0 1rem;
  color: #111; background: #fff; }
h1 { font-size: 1.6rem; line-height: 1.25; } h2 { font-size: 1.2rem; margin-top: 2.2rem; }
table { border-collapse: collapse; width: 100%; margin: 1.2rem 0; }
caption { text-align: left; font-weight: 600; }
th, td { text-align: left; padding: .3rem .8rem .3rem 0; border-bottom: 1px solid #bbb;
  vertical-align: top; }
td.number { font-variant-numeric: tabular-nums; white-space: nowrap; }
pre { background: #f1f1f1; padding: .8rem; overflow-x: auto; font-size: .85rem; }
code { overflow-wrap: anywhere; } figure { margin: 1rem 0; } img { max-width: 100%; height: auto; }
.alarm { border: 3px solid #8a1500; padding: .2rem 1rem; }
a { color: #00497a; }
"""
_OUTCOMES = {
    "stands": "The claim stands.",
    "falls": "The claim falls.",
    "cannot decide": "The footage cannot decide the claim.",
}


def page_of(record: BundleRecord, manifest: Manifest) -> bytes:
    """The page, UTF-8; `manifest` may be with or without its list of files."""
    attempt = record.attempt
    title = f"{attempt.entry}, {attempt.test}: attempt {record.entry.id}"
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "img-src 'self' file: data:; style-src 'unsafe-inline'\">",
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body><main>",
        f"<h1>{escape(title)}</h1>",
        *_opening(record, manifest),
        *_claims(record),
        *_call(attempt),
        *_readings(attempt),
        *_deciding(attempt),
        *_rulings(record),
        *_pictures(manifest),
        *_contents(manifest),
        *_checking(record, manifest),
        *_limits(record),
        "</main></body></html>",
    ]
    return ("\n".join(parts) + "\n").encode("utf-8")


def _p(text: str) -> str:
    return f"<p>{escape(text)}</p>"


def _list(items: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"


def _table(caption: str, head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    top = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in head)
    body = "".join(
        "<tr>" + "".join(_cell(n, cell) for n, cell in enumerate(row)) + "</tr>" for row in rows
    )
    return f"<table><caption>{escape(caption)}</caption><tr>{top}</tr>{body}</table>"


def _cell(place: int, text: str) -> str:
    if place == 0:
        return f'<th scope="row">{escape(text)}</th>'
    return f'<td class="number">{escape(text)}</td>'


def _opening(record: BundleRecord, manifest: Manifest) -> Iterator[str]:
    if manifest.journal.faults:
        yield '<div class="alarm"><h2>The journal in this bundle has a fault</h2>'
        yield _p("Nothing from the first faulty line on can be trusted:")
        yield _list(manifest.journal.faults) + "</div>"
    head = manifest.head
    event = record.event or "an event whose name the journal does not hold"
    yield _p(
        f"This bundle holds the evidence for one attempt at {event}: revision "
        f"{record.entry.revision} of attempt {record.entry.id}, as the event's journal held it at "
        f"line {head.seq}, saved {head.at}."
        + (f" It was handed over by {manifest.handed_over_by}." if manifest.handed_over_by else "")
    )
    if manifest.note:
        yield _p(manifest.note)
    yield _p(
        "You need not trust whoever gave it to you. Below is what was called and measured, then "
        "how you can check it yourself, and last what no such bundle can show."
    )


def _claims(record: BundleRecord) -> Iterator[str]:
    yield "<h2>What is claimed</h2>"
    told = []
    for entry in record.protests:
        protest = as_model(Protest, entry.body, f"protest {entry.id}")
        when = f", handed in {protest.lodged_at}" if protest.lodged_at else ""
        note = f": {protest.note}" if protest.note else ""
        which = f"protest {entry.id}, revision {entry.revision}{when}"
        told.append(f"{_claim(protest.claim)} ({which}){note}")
    if not told and record.attempt.claim is not None:
        told.append(_claim(record.attempt.claim))
    yield _list(told) if told else _p("No claim against this attempt is in the journal.")


def _claim(claim: Claim) -> str:
    unit = unit_of(claim.measure) or claim.unit
    by = f"{claim.by} claims that the " if claim.by else "That the "
    after = unit if unit in ("", "°") else f" {unit}"
    return f"{by}{words_of(claim.measure)} is {claim.relation} {figure(claim.value)}{after}"


def _call(attempt: Attempt) -> Iterator[str]:
    yield "<h2>What the judge called</h2>"
    if attempt.verdict is None:
        yield _p("No verdict is in the journal.")
    else:
        reason = f", {spoken(attempt.reason)}" if attempt.reason else ""
        by = f", called by {attempt.called_by}" if attempt.called_by else ""
        yield _p(f"{attempt.verdict.capitalize()}{reason}{by}. No audit changes this call.")
    if attempt.calls:
        yield _list(f"{spoken(call.call)} at {figure(call.t_s, 2)} s" for call in attempt.calls)
    set_angles = [
        f"{which} {figure(value)}°"
        for which, value in (
            ("the step", attempt.step_deg),
            ("set at the start", attempt.set_start_deg),
            ("set at the end", attempt.set_end_deg),
        )
        if value is not None
    ]
    if set_angles:
        yield _p(f"Stated by the judge: {', '.join(set_angles)}.")


def _readings(attempt: Attempt) -> Iterator[str]:
    yield "<h2>What was measured from the footage</h2>"
    if not attempt.readings:
        yield _p("Nothing was measured of this attempt.")
        return
    if attempt.marked_by:
        yield _p(f"Marked and signed by {attempt.marked_by}.")
    for place, reading in enumerate(attempt.readings, start=1):
        at = f"frame {reading.frame}" if reading.frame is not None else "no frame named"
        if reading.t_s is not None:
            at += f", {reading.t_s:.3f} s"
        yield _table(
            f"Reading {place}: {reading.measure}, {at}",
            ("value", "measured, with its expanded uncertainty (95 %)", "95 % interval"),
            (
                (words_of(name), number_words(value, u95, name), _interval(reading, name, u95))
                for name, value, u95 in reading.values()
            ),
        )
        if reading.warnings:
            yield _p("To be read with it:") + _list(reading.warnings)


def _interval(reading: Reading, name: str, u95: float) -> str:
    low, high = reading.number(beside(name, "low95")), reading.number(beside(name, "high95"))
    if low is None or high is None:
        return ""
    places = digits_for(u95)
    unit = unit_of(name)
    after = unit if unit in ("", "°") else f" {unit}"
    return f"{figure(low, places)} to {figure(high, places)}{after}"


def _deciding(attempt: Attempt) -> Iterator[str]:
    yield "<h2>What the footage can decide, and what it cannot</h2>"
    measured = [
        f"the {words_of(name)}: {_interval(reading, name, u95)}"
        for reading in attempt.readings
        for name in HEADLINES[reading.measure]
        if reading.number(name) is not None
        and (u95 := reading.number(beside(name, "u95"))) is not None
    ]
    if measured:
        yield _p("With 95 % confidence the true values lie in these intervals:")
        yield _list(measured)
        yield _p(
            "Whether a value lies above or below a limit can be decided from this footage when the "
            "limit lies outside the interval. Well inside it, it cannot be decided, whichever side "
            "the measured value is on."
        )
    yield _p(
        "What lies outside the picture, or between two frames, the camera did not see. Whether "
        "somebody did what they meant to, and what a rule means, no measurement decides."
    )


def _rulings(record: BundleRecord) -> Iterator[str]:
    yield "<h2>The ruling</h2>"
    if not record.rulings:
        held = record.attempt.ruling
        yield _p("No ruling is in the journal." if held is None else _outcome(held))
        return
    for entry in record.rulings:
        ruling = as_model(RulingRecord, entry.body, f"ruling {entry.id}")
        yield _p(
            f"{_claim(ruling.claim)}: {_outcome(ruling.ruling)} (ruling {entry.id}, revision "
            f"{entry.revision})"
        )
        for title, key in (
            ("What footage would decide it:", "would_decide"),
            ("Beside it stands:", "beside"),
            ("To be read with it:", "notes"),
        ):
            lines = ruling.basis.get(key)
            if isinstance(lines, list) and lines:
                yield _p(title) + _list(str(line) for line in lines)
    yield _p("Everything that each was drawn from stands in record/rulings.json.")


def _outcome(ruling: Ruling) -> str:
    chance = (
        f" The probability that it is true is {figure(ruling.probability, 3)}."
        if ruling.probability is not None
        else ""
    )
    by = f" Ruled by {ruling.by}." if ruling.by else ""
    note = f" {ruling.note}" if ruling.note else ""
    return f"{_OUTCOMES[ruling.outcome]}{chance}{by}{note}"


def _pictures(manifest: Manifest) -> Iterator[str]:
    drawn = [frame for frame in manifest.frames if frame.overlay]
    if not drawn:
        return
    yield "<h2>The frames</h2>"
    yield _p(
        "Unpack the bundle to see them here. Dashed lines are as marked, solid ones as measured."
    )
    for frame in drawn:
        words = f"Frame {frame.frame}: {', '.join(frame.roles)}"
        yield (
            f'<figure><img src="{escape(frame.overlay)}" alt="{escape(words)}">'
            f"<figcaption>{escape(words)}</figcaption></figure>"
        )


def _contents(manifest: Manifest) -> Iterator[str]:
    yield "<h2>What is in the bundle</h2>"
    told = []
    clip = manifest.clip
    if clip is not None and clip.cut is None:
        told.append(f"{clip.member}: the clip as it was recorded, byte for byte")
    elif clip is not None and clip.cut is not None:
        told.append(
            f"{clip.member}: frames {clip.cut.frames_before} to "
            f"{clip.cut.frames_before + clip.cut.frames - 1} of the clip, cut out without coding "
            f"them anew; {clip.cut.frames_before} frames before them, sound, place and notes of "
            "the camera were left out"
        )
    if clip is not None and clip.not_cut_because:
        told.append(f"the clip is whole although a cut was asked for: {clip.not_cut_because}")
    if clip is not None and clip.holds and clip.cut is None:
        told.append(f"beside its pictures the clip holds {', '.join(clip.holds)}")
    if manifest.traces:
        told.append("trace/: what was followed, frame by frame")
    told += [
        f"{JOURNAL}: every line of the event's journal, of other attempts too",
        "record/: marks, readings, budget of uncertainty, lens, stand, rule sheet and session, as "
        "they stand in the journal",
        "frames/: the pictures that were measured on, as the camera's file holds them (brightness "
        "alone, stored side up)",
        "overlays/: the same in colour, with marks and measured lines, for the eye",
        "manifest.json and SHA256SUMS: every file with its hash",
    ]
    yield _list(told)
    if manifest.left_out:
        yield _p("Not in the bundle:") + _list(manifest.left_out)


def _checking(record: BundleRecord, manifest: Manifest) -> Iterator[str]:
    yield "<h2>How to check it</h2>"
    yield _p("With clipmark, on any computer, from this bundle alone:")
    yield "<pre>clipmark audit verify BUNDLE.zip</pre>"
    yield _p("Without clipmark, in the unpacked folder. That no file was changed:")
    yield f"<pre>{escape(SUMS_COMMAND)}</pre>"
    if manifest.clip is not None and manifest.clip.cut is None:
        yield _p(f"The clip's hash must be the one that the journal names: {manifest.clip.sha256}.")
    yield _p("That no line of the journal was changed, with Python and nothing else:")
    yield f"<pre>{escape(CHAIN_PROGRAM)}</pre>"
    yield _p(
        f"It must end in {manifest.head.sha256}. The line of this attempt alone (the hash must be "
        f"{record.entry.sha256}):"
    )
    yield f"<pre>{escape(LINE_COMMAND.format(seq=record.entry.line))}</pre>"
    if manifest.frames:
        yield _p(
            "That the pictures are the ones that were measured on: save the next lines as "
            "fingerprint.py and give it a picture and its depth in bits; what it prints must be "
            "the fingerprint in the table, which record/readings.json gives too."
        )
        yield f"<pre>{escape(FRAME_PROGRAM)}</pre>"
        first = manifest.frames[0]
        yield f"<pre>python3 fingerprint.py {escape(first.member)} {first.bit_depth}</pre>"
        rows = "".join(
            f'<tr><th scope="row">{escape(frame.member)}</th><td>{frame.bit_depth}</td>'
            f"<td><code>{escape(frame.fingerprint)}</code></td></tr>"
            for frame in manifest.frames
        )
        yield (
            '<table><caption>Fingerprints</caption><tr><th scope="col">picture</th>'
            f'<th scope="col">bits</th><th scope="col">fingerprint</th></tr>{rows}</table>'
        )


def _limits(record: BundleRecord) -> Iterator[str]:
    yield "<h2>What no bundle can show by itself</h2>"
    yield _list(
        (
            "That the whole journal was not written anew before it was handed over. A head hash "
            "that was published earlier (read out, posted with the results) or a signature shows "
            f"it: compare with {record.head['sha256']}.",
            "That the clip shows what is said of it: which truck, which day, that nobody moved the "
            "board or the camera between takes, that nothing was staged.",
            "That the lines were marked in the right places. The drawings let you judge that; a "
            "second person's marking measures it.",
        )
    )
