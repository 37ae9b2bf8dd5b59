"""The life of trouble flags: what a run raises, keeps and clears, and what people say of them."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked, locked_one, refuse_past
from core.problems import IllegalMove
from core.text_checks import name_defects, refuse_defects
from faults.history_snapshot import KIND_WORDS, day_of, moment_of
from faults.models.trouble import (
    FlagMove,
    FlagState,
    Inspection,
    InspectionState,
    RecurrenceRun,
    TroubleFlag,
)
from faults.recurrence.flag_life import Life, LifeRules, next_life
from faults.services.inspection_ends import inspections_withdraw
from faults.trouble_search import Candidate

MOST_WHY = 450
WATCHED, CLEARED = FlagState.WATCHED.value, FlagState.CLEARED.value
LEGAL_MOVES = {
    FlagState.RAISED: (WATCHED, CLEARED),
    FlagState.WATCHED: (CLEARED,),
    FlagState.CLEARED: (),
}
"""Where people may move a flag to from each state; runs move it by ``flag_life``."""

Places = list[dict[str, str]]


def flags_follow(
    *,
    candidates: Sequence[Candidate],
    run: RecurrenceRun,
    by: Actor,
    rules: LifeRules | None = None,
) -> int:
    """Carry all flags on by what a run found, within the caller's transaction; how many changed.

    A candidate that shares a place with a flag of its path and kind is that flag; where several
    do, the one that is not cleared, then the newest.
    """
    rules = rules or LifeRules()
    flags: dict[tuple[int, str], list[TroubleFlag]] = defaultdict(list)
    for flag in locked(TroubleFlag.objects.all()):
        flags[flag.path_id, flag.kind].append(flag)
    changed, met = 0, set()
    for one in candidates:
        known = [
            flag
            for flag in flags[one.path, one.kind]
            if flag.pk not in met and _shares_place(flag, one)
        ]
        known.sort(key=lambda flag: (flag.state != FlagState.CLEARED, flag.pk))
        if known:
            met.add(known[-1].pk)
            changed += _carry_on(known[-1], one, run, by, rules)
        elif one.alive:
            changed += _raise(one, run, by, rules)
    for flag in (one for same in flags.values() for one in same if one.pk not in met):
        changed += _carry_on(flag, None, run, by, rules)
    return changed


def _shares_place(flag: TroubleFlag, one: Candidate) -> bool:
    return any(place in flag.places for place in place_documents(one))


def place_documents(one: Candidate) -> Places:
    """A candidate's places in the words of the forms."""
    return [{KIND_WORDS[kind]: code} for kind, code in one.places]


def _raise(one: Candidate, run: RecurrenceRun, by: Actor, rules: LifeRules) -> int:
    failures = int(one.evidence["failures"])
    life = next_life(None, one.adjusted, one.newest, day_of(run.as_of), rules)
    if life is None:
        return 0
    flag = TroubleFlag.objects.create(
        path_id=one.path,
        kind=one.kind,
        state=life.state,
        places=place_documents(one),
        evidence=one.evidence,
        findings=list(one.findings),
        raised_at=run.as_of,
        run=run,
    )
    words = f"{failures} failures where peers expect {one.evidence['expected']:.2g}"
    _move(flag, "", words, run.as_of, by)
    return 1


def _carry_on(
    flag: TroubleFlag, one: Candidate | None, run: RecurrenceRun, by: Actor, rules: LifeRules
) -> int:
    """A flag's next day; its evidence is that of the latest run that saw it."""
    failures = int((one.evidence if one else flag.evidence)["failures"])
    life = next_life(
        _life(flag),
        None if one is None else one.adjusted,
        0.0 if one is None else one.newest,
        day_of(run.as_of),
        rules,
    )
    assert life is not None  # noqa: S101 - a flag that is there has a life
    before = flag.state
    if before == life.state == CLEARED:
        return 0
    flag.state = life.state
    flag.quiet_since = None if life.quiet_since is None else moment_of(life.quiet_since)
    flag.run = run
    if one is not None:
        flag.evidence, flag.findings = one.evidence, list(one.findings)
        if one.adjusted <= rules.keep_at:
            flag.places = place_documents(one)
    if before == life.state:
        flag.save()
        return 0
    flag.version += 1
    if life.state == CLEARED:
        flag.cleared_at = run.as_of
        flag.save()
        words = f"Nothing out of the ordinary for {rules.quiet_days:g} days"
        inspections_withdraw(looks=_open_looks(flag), why=words, by=by)
    else:
        flag.raised_at, flag.cleared_at = run.as_of, None
        flag.save()
        words = f"Failed again after it was cleared: {failures} failures by now"
    _move(flag, before, words, run.as_of, by)
    return 1


def _open_looks(flag: TroubleFlag) -> QuerySet[Inspection]:
    return Inspection.objects.filter(flag=flag, state=InspectionState.OPEN)


def _life(flag: TroubleFlag) -> Life:
    quiet = None if flag.quiet_since is None else day_of(flag.quiet_since)
    cleared = None if flag.cleared_at is None else day_of(flag.cleared_at)
    return Life(FlagState(flag.state).value, quiet, cleared)  # type: ignore[arg-type]


@transaction.atomic
def flag_move(*, flag: TroubleFlag, to: str, why: str, version: int, by: Actor) -> TroubleFlag:
    """Watch a raised flag, or clear one, with the reason.

    A cleared flag comes back only with a new failure, and its open look is no longer asked for.
    Raises Invalid, Stale, IllegalMove.
    """
    refuse_defects("flag", name_defects("/why", why, MOST_WHY))
    held = locked_one(flag)
    refuse_past("flag", held.version, version, state=held.state)
    legal = LEGAL_MOVES[FlagState(held.state)]
    if to not in legal:
        raise IllegalMove(f"The flag is {held.state}.", extra={"legal": list(legal)})
    before, held.state = held.state, FlagState(to)
    if to == CLEARED:
        held.cleared_at, held.quiet_since = now(), None
        inspections_withdraw(looks=_open_looks(held), why=why, by=by)
    held.version += 1
    held.save()
    _move(held, before, why, now(), by)
    return held


def _move(flag: TroubleFlag, before: str, why: str, at: dt.datetime, by: Actor) -> None:
    FlagMove.objects.create(
        flag=flag,
        from_state=before,
        to_state=flag.state,
        at=at,
        why=why,
        evidence=flag.evidence,
        by_kind=by.kind,
        by_id=by.public_id,
        by_name=by.name,
    )
    after: dict[str, Any] = {"state": flag.state, "why": why, "places": flag.places}
    change_record(
        by=by,
        action=f"trouble-flag.{flag.state}",
        thing=("trouble-flag", flag.public_id),
        before={"state": before} if before else None,
        after=after,
    )
