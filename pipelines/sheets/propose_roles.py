"""Which column is what: every column gets a field of the layout, or a reason why it has none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipelines.sheets.fields import DATES, FIELDS, REQUIRED
from pipelines.sheets.propose_kind import NUMERIC, Candidate
from pipelines.sheets.propose_question import LayoutQuestion, listed
from pipelines.sheets.propose_readings import find_readings
from pipelines.sheets.propose_role import Roles, take
from pipelines.sheets.propose_words import word_set
from pipelines.sheets.words import fold

_KNOWN = 0.35
_TIE = 0.101

#: Two columns that claim one of these fields are asked about; for other fields the first is taken.
_ASKED = word_set(
    "vehicle date odometer engine_hours value position unit duration measure driven rail speed fuel_temp volume kind "
    "part_number on_hand on_order due_on litres serial_in serial_out position_to in_service"
)
_STAND_FOR = {
    "tests": {"plate": "vehicle", "number": "vehicle", "coolant_temp": "fuel_temp", "kind": ""},
    "vehicles": {"plate": "alias", "number": "vehicle", "odometer": "", "position": "cylinders"},
    "rigs": {"number": "rig"},
    "events": {"plate": "vehicle", "number": "vehicle", "what": "kind", "visit_kind": "kind", "reason": "kind"},
    "odometer": {"plate": "vehicle", "number": "vehicle"},
    "visits": {
        "plate": "vehicle",
        "number": "vehicle",
        "planned": "date",
        "due_on": "date",
        "visit_kind": "kind",
        "reason": "kind",
        "what": "kind",
    },
    "stock": {"number": "part_number"},
}


def assign(candidates: Sequence[Candidate], kind: str, answers: Mapping[str, str]) -> Roles:
    """Give every column its field.

    The answer "column:FIELD" names the header that fills a field, "meaning:HEADER" the field that a header has.
    """
    roles = Roles()
    free = list(candidates)
    usable = _usable(free, roles)
    free = [one for one in free if one in usable]
    for one in list(free):
        meaning = answers.get(f"meaning:{one.column.name}")
        if meaning in FIELDS[kind] and meaning not in ("reading", "value"):
            take(roles, free, one, str(meaning), "", "as answered")
    _answered(roles, free, kind, answers)
    if kind == "tests":
        find_readings(roles, free, answers)
    _singles(roles, free, kind)
    _required(roles, free, kind)
    _rest(roles, free, kind, answers)
    roles.used.sort(key=lambda role: role.column.index)
    return roles


def _usable(candidates: list[Candidate], roles: Roles) -> list[Candidate]:
    """Columns that a layout can name: with a header that holds a letter or digit and stands there once."""
    counts: dict[str, int] = {}
    for one in candidates:
        counts[fold(one.column.name)] = counts.get(fold(one.column.name), 0) + 1
    usable = []
    for one in candidates:
        word = fold(one.column.name)
        if word and counts[word] == 1:
            usable.append(one)
        elif not one.column.empty:
            told = (
                f'the header "{one.column.name}" stands {counts[word]} times'
                if word
                else f"column {one.column.index + 1} has no header"
            )
            roles.unused.append((one.column, f"{told}: give it one of its own to use it"))
    return usable


def _answered(roles: Roles, free: list[Candidate], kind: str, answers: Mapping[str, str]) -> None:
    for name in sorted(FIELDS[kind]):
        wanted = answers.get(f"column:{name}")
        chosen = next((one for one in free if wanted is not None and one.column.name == wanted), None)
        if chosen is not None and roles.one(name) is None:
            take(roles, free, chosen, name, name, "as answered")


def _singles(roles: Roles, free: list[Candidate], kind: str) -> None:
    stand_for = _STAND_FOR[kind]
    claims: dict[str, list[tuple[float, Candidate, str]]] = {}
    for one in free:
        for concept, score in one.meanings:
            name = stand_for.get(concept, concept)
            if score >= _KNOWN and name in FIELDS[kind] and name not in ("reading", "ignore"):
                own = 0.0 if name == concept else 0.2
                claims.setdefault(name, []).append((score - own, one, concept))
    order = sorted(claims, key=lambda name: -max(score for score, _, _ in claims[name]))
    for name in order:
        rivals = sorted(
            ((score, one, concept) for score, one, concept in claims[name] if one in free),
            key=lambda claim: (-claim[0], claim[1].column.index),
        )
        if name == "note":
            for score, one, concept in rivals:
                if score >= 0.5 and one.meanings[0][0] in ("note",):
                    take(roles, free, one, name, concept, "")
            continue
        rivals = [claim for claim in rivals if _best_for(claim[1], name, claims, stand_for)]
        if not rivals or roles.one(name) is not None:
            continue
        top = rivals[0][0]
        tied = [one for score, one, _ in rivals if score >= top - _TIE and not one.column.empty]
        if len(tied) > 1 and name in _ASKED and not _same(tied):
            names = [one.column.name for one in tied]
            sentence = f'Which column is the field "{name}": {listed(names)}?'
            evidence = "both headers say so and the cells differ"
            roles.questions.append(
                LayoutQuestion(f"column:{name}", "column", names[0], sentence, tuple(names), evidence, True)
            )
            for one in tied:
                free.remove(one)
                roles.unused.append((one.column, f'may be the field "{name}"; asked'))
            continue
        take(roles, free, rivals[0][1], name, rivals[0][2], "")


def _best_for(
    one: Candidate, name: str, claims: Mapping[str, list[tuple[float, Candidate, str]]], stand_for: Mapping[str, str]
) -> bool:
    """Whether no other field is claimed by this column with a clearly better score."""
    own = max(score for score, other, _ in claims[name] if other is one)
    return all(score <= own + _TIE for found in claims.values() for score, other, _ in found if other is one)


def _same(tied: list[Candidate]) -> bool:
    first = tied[0].column.cells()
    return all(one.column.cells() == first for one in tied[1:])


def _required(roles: Roles, free: list[Candidate], kind: str) -> None:
    """What the kind of sheet needs and no header names: the only column of dates is the date, the rest is asked."""
    for choice in REQUIRED[kind]:
        if any(roles.one(name) is not None for name in choice) or any(
            question.key == f"column:{name}" for name in choice for question in roles.questions
        ):
            continue
        name = (
            sorted(choice)[0]
            if len(choice) == 1
            else next(one for one in ("reading", "kind", "vehicle", "odometer") if one in choice)
        )
        if name == "date":
            dated = [one for one in free if one.column.dates >= 0.8 or one.column.typed > 0]
            if len(dated) == 1:
                take(roles, free, dated[0], "date", "date", "the only column whose cells are dates")
                continue
        if name == "reading" and any(question.key == "column:numbers" for question in roles.questions):
            continue
        answers = _possible(free, name)
        what = "readings" if name == "reading" else f'field "{name}"'
        shown = f": {listed(answers)}" if answers else ", and no column is left that could be it"
        sentence = f"Which column holds the {what}, which a sheet of {kind} needs{shown}?"
        evidence = "no header is a known word for it"
        key = "column:value" if name == "reading" else f"column:{name}"
        roles.questions.append(LayoutQuestion(key, "column", "", sentence, tuple(answers), evidence, True))


def _possible(free: list[Candidate], name: str) -> list[str]:
    if name == "date":
        chosen = [one for one in free if one.column.dates >= 0.5 or one.column.typed]
    elif name in ("reading", "odometer"):
        chosen = [one for one in free if one.column.figures >= 0.5]
    else:
        chosen = [one for one in free if one.column.dates < 0.5 and not one.column.empty]
    return [one.column.name for one in chosen]


def _rest(roles: Roles, free: list[Candidate], kind: str, answers: Mapping[str, str]) -> None:
    for one in free:
        if answers.get(f"meaning:{one.column.name}") == "ignore" or one.column.empty:
            roles.unused.append((one.column, "not used"))
            continue
        known = one.meanings and one.meanings[0][1] >= 0.5
        roles.unused.append(
            (
                one.column,
                _why_unused(one.meanings[0][0], kind) if known else "not understood",
            )
        )
        if not known:
            example = listed(one.column.told[:3], joint="and")
            roles.questions.append(
                LayoutQuestion(
                    f"meaning:{one.column.name}",
                    "unknown column",
                    one.column.name,
                    f'What does the column "{one.column.name}" hold ({example})?',
                    ("ignore", *_left(roles, one, kind)),
                    "its header is no known word; it is kept with the raw rows only",
                )
            )


def _why_unused(concept: str, kind: str) -> str:
    if _STAND_FOR[kind].get(concept, concept) in FIELDS[kind]:
        return f"can mean {concept} as well, which another column is"
    return f"means {concept}, which sheets of {kind} have no field for"


def _left(roles: Roles, one: Candidate, kind: str) -> list[str]:
    """The fields a column can still fill: those of its kind of cells that no other column has."""
    taken = {role.field for role in roles.used} - {"note"}
    figures = one.column.figures >= 0.5
    dated = one.column.dates >= 0.5 or one.column.typed > 0
    fields = FIELDS[kind] - taken - {"ignore", "reading", "value"}
    return sorted(
        field for field in fields if field == "note" or ((field in DATES) == dated and (field in NUMERIC) == figures)
    )
