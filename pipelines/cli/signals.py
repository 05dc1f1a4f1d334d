"""The command that tells what the readings did not lead one to expect, and how often chance alone would."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.common import (
    HERE,
    AsOf,
    Home,
    Json,
    as_of_date,
    console,
    parse_date,
    show_json,
    status_line,
    workspace,
)
from wearlab.errors import InputError

if TYPE_CHECKING:
    from pipelines.steps.signals import SignalsTold
    from wearlab.config import Settings

#: signals shown in full; the rest is counted, and all of them stand in the JSON
_SHOWN = 20


def signals(
    only_open: Annotated[bool, typer.Option("--open", help="Only those with something left to check.")] = False,
    since: Annotated[str | None, typer.Option("--since", metavar="DATE", help="Only those raised since DATE.")] = None,
    every: Annotated[bool, typer.Option("--all", help="Acknowledged ones too.")] = False,
    accept: Annotated[
        str | None, typer.Option("--accept", metavar="KEY", help="Acknowledge a signal; needs --reason.")
    ] = None,
    reason: Annotated[str | None, typer.Option("--reason", metavar="TEXT", help="Why it needs nothing more.")] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """What happened that wear does not explain: since when, how large, the likely cause and what to check first."""
    from pipelines.steps.signals import chosen, current_signals

    today = as_of_date(as_of)
    place = workspace(home)
    start = None if since is None else parse_date(since, "--since")
    if accept is None and reason is not None:
        raise InputError("--reason belongs to --accept KEY")
    with status_line(quiet=as_json) as say:
        told = current_signals(place, today, say=say)
    if accept is not None:
        from pipelines.steps.acknowledgements import acknowledge
        from pipelines.steps.signal_words import heading

        with place.open() as db:
            done = acknowledge(db, accept, reason or "", told.signals)
        if as_json:
            show_json({"key": done["key"], "subject": done["subject"], "reason": reason})
        else:
            console().print(f"Acknowledged {done['key']}: {heading(done)}. It lasts when everything is learned anew.")
        return
    listed = chosen(told, only_open=only_open, since=start, every=every)
    if as_json:
        show_json(_json(told, listed))
        return
    _print(told, listed, place.settings)


def _json(told: SignalsTold, listed: tuple[dict[str, Any], ...]) -> dict[str, Any]:
    from pipelines.steps.signal_words import first_check, what_words
    from pipelines.steps.signals import RECENT

    budget = told.budget
    return {
        "as_of": told.as_of,
        "budget": {
            "false_per_month": budget.budget,
            "expected_per_month": budget.expected,
            "visits_per_month": budget.visits_a_month,
            "z_limit": budget.limit,
            "days": RECENT,
            "raised": told.recent,
            "by_chance": told.by_chance,
        },
        "signals": [{**one, "sentence": what_words(one), "check_first": first_check(one)} for one in listed],
    }


def _print(told: SignalsTold, listed: tuple[dict[str, Any], ...], settings: Settings) -> None:
    out = console()
    out.print(_answer(told), style="bold")
    for sentence in _budget(told):
        out.print(sentence)
    for one in listed[:_SHOWN]:
        out.print("")
        _print_one(one)
    left = len(listed) - min(len(listed), _SHOWN)
    hidden = sum(one["acknowledged"] is not None for one in told.signals)
    out.print("")
    if left:
        out.print(f"And {left} older: wearlab signals --since DATE, or --json for all of them.")
    if not listed:
        out.print("No signal to show.")
    if hidden and not any(one["acknowledged"] for one in listed):
        out.print(f"{hidden} acknowledged: wearlab signals --all.")
    if any(one["open"] for one in listed[:_SHOWN]):
        _print_cautions(listed[:_SHOWN], settings)


def _answer(told: SignalsTold) -> str:
    from pipelines.steps.signals import RECENT

    count = f"{told.recent} signal{'' if told.recent == 1 else 's'} in the last {RECENT} days"
    if not told.budget.groups:
        return f"{count}: no group of tests has a wear model yet that a reading could depart from."
    return f"{count}; chance alone would raise about {told.by_chance:.2g}."


def _budget(told: SignalsTold) -> list[str]:
    from pipelines.steps.signals import VISITS_A_FALSE_SIGNAL

    budget = told.budget
    if not budget.groups:
        return []
    if budget.limit is None:
        return [f"The budget of {budget.budget:g} false signals a month is too small for any signal to be raised."]
    told_of = (
        f"Budget: {budget.budget:g} false signals a month over the whole fleet ([signals] in wearlab.toml), at about "
        f"{budget.visits_a_month:.2g} visits a month: a signal departs by {budget.limit:.1f} sd or more."
    )
    if budget.budget > budget.visits_a_month / VISITS_A_FALSE_SIGNAL:
        told_of += f" So few visits use only part of it: one false signal in {VISITS_A_FALSE_SIGNAL} visits."
    return [told_of]


def _print_one(one: dict[str, Any]) -> None:
    from pipelines.steps.signal_words import first_check, heading, note_hint, what_words

    out = console()
    state = "open" if one["open"] else f"closed: {one['closed']}"
    out.print(f"{heading(one)}  [{one['key']}, raised {one['detected_on']}, {state}]", style="bold")
    out.print(f"  {_capital(what_words(one))}.")
    for other in one["alternatives"]:
        out.print(f"  It may also be: {what_words(other)}.")
    if one["telling"]:
        out.print(f"  What would tell: {one['telling']}.")
    if one["acknowledged"] is not None:
        out.print(f"  Acknowledged on {one['acknowledged_at']:%Y-%m-%d}: {one['acknowledged']}")
        return
    if not one["open"]:
        return
    out.print(f"  Check first: {first_check(one)}")
    if one["question"]:
        out.print(f"  Question: {one['question']} If so: {note_hint(one)}")


def _print_cautions(listed: tuple[dict[str, Any], ...], settings: Settings) -> None:
    from wearlab.records import PUMP
    from wearlab.study.cautions import cautions

    open_ = [one for one in listed if one["open"]]
    families = {settings.families.get(one["family"] or "") for one in open_}
    kinds = {None if family is None else family.injector for family in families}
    out = console()
    out.print("")
    out.print("Take care", style="bold")
    for sentence in cautions(
        drives=[one["driven"] for one in open_],
        injector=next(iter(kinds)) if len(kinds) == 1 else None,
        pump_test=any(str(one["measure"]).startswith(PUMP) for one in open_),
        injector_named=any(one["position"] not in (None, PUMP) for one in open_),
    ):
        out.print(f"- {sentence}")


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"
