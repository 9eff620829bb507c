"""``clipmark audit``: what footage proves of a disputed result, and a package that shows it."""

from __future__ import annotations

import typer

from clipmark.cli import audit_blind, audit_bundle, audit_replay, audit_study, audit_verify

app = typer.Typer(
    name="audit",
    help="A disputed result: repeat it, have it marked again blind, rule on a claim, hand it over.",
    no_args_is_help=True,
    rich_markup_mode="rich",
)


@app.callback()
def root() -> None:
    """A disputed result: repeat it, have it marked again blind, rule on a claim, hand it over."""


app.command("blind")(audit_blind.run)
app.command("study")(audit_study.run)
app.command("replay")(audit_replay.run)
app.command("verify")(audit_verify.run)
app.command("bundle")(audit_bundle.run)
app.command("key")(audit_bundle.run_key)
