"""The proving stage: which act the proof of the suspect needs next, or how it ends."""

from __future__ import annotations

from faults.tracing.act import Act, Ending
from faults.tracing.case import Case
from faults.tracing.contradiction import Contradiction
from faults.tracing.proof_course import CUT_OFF, NextTest
from faults.tracing.step import Found
from sites.network.faults import Place

SUSPECTED = 0.95


def proof_act(case: Case) -> Act | Ending | None:
    """What the proof of the suspect needs next, or how it ends; None without a suspect."""
    suspect = case.state.proving
    if suspect is None:
        place, chance = case.ranked(1)[0]
        if chance >= SUSPECTED and place in case.state.given_up:
            if case.was_cut_off(place):
                return unproved(case, f"the readings point to {place}, but {CUT_OFF}")
            return unproved(
                case,
                f"the readings point to {place}, but with it off the path did not read sound: "
                "there may be a second fault, or the map is wrong there",
            )
        return None
    if case.leaks_to_earth:
        return unproved(
            case,
            f"current leaks to earth at {suspect}: with both conductors in the jaw it does not "
            "cancel, so it is no short between the conductors; find the leak with an "
            "earth-gradient probe or by insulation tests",
        )
    against = case.contradiction
    if against is not None and not case.state.rig.isolated:
        return _against(case, suspect, against)
    test = case.next_test(suspect)
    if test.act == "proved":
        return _proved(case, suspect)
    if test.act == "stuck":
        return unproved(case, test.why)
    if test.act == "clamp":
        return _proving_clamp(case, test)
    if test.act == "isolate":
        return Act(stage="proving", do="isolate", at=suspect, why=test.why)
    return Act(stage="proving", do="restore", at=suspect, why=test.why)


def _proved(case: Case, suspect: Place) -> Ending:
    """The tests at the place are done: proved, unless looks with it off spoke against it."""
    if case.shows_with_it_off(suspect):
        return unproved(
            case,
            f"the message still showed with {suspect} off, which a sound path cannot bring about: "
            "there may be a second fault; take it off and look again, at full voltage",
        )
    return Ending(
        outcome="proved",
        reason=f"with {suspect} off the current fell to that of a sound path, and came back "
        "with it on; every rival would have shown otherwise",
        found=(Found(at=suspect, kind="short", chance=case.bare_chance_of(suspect), proved=True),),
    )


def _against(case: Case, suspect: Place, against: Contradiction) -> Act | Ending:
    """A proof that something read later contradicts: read again, or given up."""
    if against.repeated:
        return unproved(case, f"{against.told}, and so did it when it was taken again")
    why = f"{against.told}: taken again, before anything is believed"
    if against.isolated:
        return Act(stage="proving", do="isolate", at=suspect, why=why)
    if against.counted:
        watch = case.examiner(suspect).watch
        again = NextTest("clamp", watch.node, watch.wire, f"{why}; count the cables and leads")
    else:
        again = NextTest("clamp", against.node, against.wire, why)
    return _proving_clamp(case, again)


def _proving_clamp(case: Case, test: NextTest) -> Act | Ending:
    if test.node in case.state.closed:
        return unproved(case, f"{test.node} cannot be reached, so that no test can be had there")
    if test.wire == "":
        return Act(stage="proving", do="reference", why=test.why)
    return Act(
        stage="proving",
        do="clamp",
        node=test.node,
        wire=test.wire,
        conductor="both" if test.both else None,
        why=test.why,
    )


def unproved(case: Case, reason: str) -> Ending:
    """An honest end without a proof: why, and what is likeliest."""
    return Ending(outcome="unproved", reason=reason, found=case.suspects(3))
