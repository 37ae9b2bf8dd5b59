"""The course of a trace: which act comes next, from preparing to proving, or how it ends."""

from __future__ import annotations

from dataclasses import dataclass

from faults.tracing.act import Act, Ending
from faults.tracing.asked_again import incoming_checked, reference_anew
from faults.tracing.case import Case
from faults.tracing.evidence import MessageLook
from faults.tracing.proving import SUSPECTED, proof_act, unproved
from faults.tracing.rig import rig_at_start
from faults.tracing.step import Found, Stage
from sites.network.faults import Place

NO_PLACE_LEFT = 0.02
NOT_PRESENT = 0.975
MOSTLY_NONE = 0.85
HIDDEN_LEFT = 0.01
"""What may be left for a fault that hid at every look when a trace ends *not present*."""
SETTLED = 0.99
CONTROLLER_SURE = 0.999
MOST_LOOKS = 12
LOOKS_SINCE_JOINTS = 2
MOST_READINGS = 140
MOST_OF_ONE_WIRE = 7
MESHED = (
    "the path is meshed and a joint of a loop cannot be opened: in a closed loop the current "
    "splits and readings do not say which way the fault lies"
)


def next_act(case: Case) -> Act | Ending:
    """What to do next. Pure: the same case gives the same act."""
    state = case.state
    # What was asked to be put back and could not be is not asked for again: the trace ends there.
    if state.proving is None and state.rig.isolated and state.blocked != "restore":
        place = sorted(state.rig.isolated, key=str)[0]
        if state.rig.power and not state.rig.coil:
            return _power("following", f"off before {place} is put back", on=False)
        return Act(stage="following", do="restore", at=place, why=f"{place} is not it: put it back")
    for phase in (
        _blocked,
        _looks_first,
        _loops,
        _loops_open,
        _doubt,
        _soundness,
        _coil,
        proof_act,
        _follow,
    ):
        found = phase(case)
        if found is not None:
            return found
    return unproved(case, "no reading that can still be taken would tell the suspects apart")


def _blocked(case: Case) -> Ending | None:
    """An act without which there is no way on could not be done."""
    act = case.state.blocked
    if not act:
        return None
    if act in ("open_joints", "close_joints"):
        reason = MESHED
    elif act in ("isolate", "restore"):
        reason = "the suspect could not be taken off or put back, so that no test can be had there"
    else:
        reason = "what has to be done at the controller could not be done"
    return unproved(case, reason)


# -- preparing and ruling out


@dataclass(frozen=True, slots=True)
class _Looks:
    """Looks with all legs on and with none, and how many of each showed the message."""

    all_legs: int
    all_shown: int
    no_legs: int
    no_legs_shown: int


def _tally(looks: tuple[MessageLook, ...]) -> _Looks:
    whole = [look.shown for look in looks if look.legs_on is None]
    alone = [look.shown for look in looks if look.legs_on is not None and not look.legs_on]
    return _Looks(len(whole), sum(whole), len(alone), sum(alone))


def _looks_first(case: Case) -> Act | Ending | None:
    """Is the message there; is it the controller's own?"""
    looks = _tally(case.state.evidence.looks)
    if case.state.evidence.readings:
        return None
    if looks.all_legs == 0:
        return _look(case, "preparing", None, "is the message there now?")
    if looks.all_shown == 0:
        if looks.all_legs < 2:
            return _look(case, "preparing", None, "not there at the first look: it may come and go")
        return None
    if looks.no_legs == 0 or (looks.no_legs_shown and looks.no_legs < 2):
        return _look(
            case,
            "ruling-out",
            (),
            "with no wire on the controller the message must go; if it stays, it is the "
            "controller's own"
            if looks.no_legs == 0
            else "a second look at the controller alone, so that no slip decides",
        )
    if looks.no_legs_shown:
        chance = case.apart.controller
        settled = chance >= CONTROLLER_SURE or looks.no_legs_shown * 2 < looks.no_legs
        if not settled and looks.no_legs < 6:
            return _look(case, "ruling-out", (), "the looks do not settle it yet: look again")
        if chance >= CONTROLLER_SURE:
            return Ending(
                outcome="controller",
                reason="the message stays with no wire on the controller: leave its inside and "
                "the mains side to licensed people",
                found=(Found(at=Place("controller"), kind="short", chance=chance, proved=False),),
            )
    return None


def _look(case: Case, stage: Stage, legs_on: tuple[str, ...] | None, why: str) -> Act:
    """A look for the message, with the coil out and the power on first."""
    rig = case.state.rig
    if rig.coil:
        if rig.power:
            return _power(stage, "the coil comes out before the message can show", on=False)
        return Act(
            stage=stage,
            do="fit_coil",
            fitted=False,
            why="with the coil in the controller cannot show its message",
        )
    if not rig.power:
        return _power(stage, "on for a look at the message", on=True)
    return Act(stage=stage, do="message", legs_on=legs_on, why=why)


def _power(stage: Stage, why: str, *, on: bool) -> Act:
    return Act(stage=stage, do="power", on=on, why=why)


def _loops(case: Case) -> Act | Ending | None:
    """Loops are opened before tracing."""
    joints = case.closed_loops
    if not joints:
        return None
    if case.state.closed & case.nodes_of(joints):
        return unproved(case, MESHED)
    if case.state.rig.power:
        return _power("preparing", "off before joints are opened", on=False)
    return Act(
        stage="preparing",
        do="open_joints",
        joints=joints,
        why="in a closed loop the current splits: opened here, every reading points one way",
    )


def _loops_open(case: Case) -> Act | None:
    """With the loops open, is the message that was there still there? If not, once more."""
    since = case.state.looks_since_joints
    if since is None or case.state.evidence.readings or any(since):
        return None
    if len(since) >= LOOKS_SINCE_JOINTS or not _tally(case.state.evidence.looks).all_shown:
        return None
    why = "it went with the joints of the loops: a second look, so that no slip decides"
    return _look(
        case, "preparing", None, why if since else "is it still there with the loops open?"
    )


def _went_with_joints(case: Case) -> Ending | None:
    """The message was there before the joints of loops were opened, and never since."""
    since, looks = case.state.looks_since_joints, _tally(case.state.evidence.looks)
    if since is None or any(since) or len(since) < LOOKS_SINCE_JOINTS or not looks.all_shown:
        return None
    opened = case.state.rig.joints_open - rig_at_start(case.problem.path).joints_open
    ends = {
        one.id: {"from": one.from_node, "to": one.to_node} for one in case.problem.path.segments
    }
    joints = ", ".join(f"{segment} at {ends[segment][end]}" for segment, end in sorted(opened))
    return unproved(
        case,
        "the message went when the joints of loops were opened: one may have been joined with "
        f"its conductors crossed, or hold the fault; look into {joints}, then join them one by "
        "one, power off, with a look for volts before each and for the message after it",
    )


def _coil(case: Case) -> Act | None:
    """The coil in, the power on, and the reference."""
    rig, evidence = case.state.rig, case.state.evidence
    stage: Stage = "preparing" if not evidence.readings else "following"
    if case.state.proving is not None:
        stage = "proving"
    if not rig.coil:
        if rig.power:
            return _power(stage, "off before hands go into the controller", on=False)
        return Act(
            stage=stage,
            do="fit_coil",
            fitted=True,
            why="the coil limits the current, so that the path can stay energised for clamping",
        )
    if not rig.power:
        return _at_place_dead(case) or _power(stage, "on, with the coil in", on=True)
    if rig.legs_off or not any(r.kind == "reference" for r in evidence.readings):
        return Act(
            stage="following",
            do="reference",
            why="what leaves the controller, with all legs on: later readings are held against it",
        )
    return None


def _at_place_dead(case: Case) -> Act | None:
    """Taking out or putting back the suspect, for whoever switched off first to do so."""
    act = proof_act(case) if case.state.proving is not None else None
    return act if isinstance(act, Act) and act.do in ("isolate", "restore") else None


def _doubt(case: Case) -> Act | None:
    """Where the readings fit nothing, some were slips: take the doubtful ones again."""
    evidence, rig = case.state.evidence, case.state.rig
    if len(evidence.readings) < 3 or not (rig.coil and rig.power) or rig.isolated:
        return None
    fits_none = case.chance_of(Place("other")) - case.posterior.apart.hidden
    if fits_none < 0.5 or len(case.state.log) >= MOST_READINGS // 2:
        return None
    again = evidence.doubtful(MOST_OF_ONE_WIRE)
    if again is None:
        return None
    why = "the readings fit no fault: some were slips, so this one is taken again"
    if again.kind == "reference":
        return Act(stage="following", do="reference", why=why)
    if again.node in case.state.closed:
        return None
    return Act(stage="following", do="clamp", node=again.node, wire=again.wire or None, why=why)


# -- endings without a place


def _soundness(case: Case) -> Act | Ending | None:
    """Where all readings are those of a sound path, the message decides what it was."""
    if not case.state.evidence.readings or case.place_chance > NO_PLACE_LEFT:
        return None
    if case.bare_chance_of(Place("other")) - case.apart.hidden > SUSPECTED:
        return unproved(case, "the readings fit no fault that the map has room for")
    return _whole(case) or _looks_decide(case)


def _whole(case: Case) -> Act | Ending | None:
    """Before a path is called sound, its far wires must carry what they should."""
    if _tally(case.state.evidence.looks).all_shown:
        return None
    dead = case.dead_wire
    if dead is not None:
        return unproved(
            case,
            f"{dead} carries far less than the devices beyond it should draw: a conductor may be "
            "open before it, which no reading of the current proves",
        )
    wire = case.unseen_wire
    rig = case.state.rig
    if wire is None or not (rig.coil and rig.power):
        return None
    return Act(
        stage="following",
        do="clamp",
        node=wire[0],
        wire=wire[1],
        why="the readings are those of a sound path: does its far end carry what it should?",
    )


def _looks_decide(case: Case) -> Act | Ending:
    """No place is left to suspect: look for the message until it is settled."""
    apart = case.apart
    looks = _tally(case.state.evidence.looks)
    # A path that draws near the trip and never tripped is as sound as any other.
    sound_now = apart.none + (apart.overload if apart.none >= MOSTLY_NONE else 0.0)
    if sound_now >= NOT_PRESENT and apart.hidden <= HIDDEN_LEFT and looks.all_shown == 0:
        if case.draws_too_little:
            return unproved(
                case,
                "the path draws far less than its devices should: a part of it may be cut off "
                "(an open conductor), which clamp readings of the current do not find",
            )
        return Ending(
            outcome="not-present",
            reason=f"no message in {looks.all_legs} looks, and the readings are those of a sound "
            "path",
            found=(Found(at=Place("none"), kind="short", chance=apart.none, proved=False),),
        )
    if looks.all_shown and apart.controller > 0.01 and looks.no_legs < 5:
        return _look(case, "ruling-out", (), "once more with no wire on the controller")
    if looks.all_legs >= MOST_LOOKS or (apart.overload >= SETTLED and looks.all_legs >= 4):
        return _went_with_joints(case) or unproved(case, _sound_reason(case))
    if apart.hidden >= SETTLED and looks.all_legs >= 4:
        return _went_with_joints(case) or unproved(case, _sound_reason(case))
    return _look(
        case,
        "ruling-out",
        None,
        "the path reads sound: does the message show now, or not any more?",
    )


def _sound_reason(case: Case) -> str:
    apart = case.apart
    if apart.overload >= max(apart.hidden, apart.none):
        return (
            "the path is sound but draws more than the controller allows: an overload or inrush, "
            "not a fault at a place"
        )
    return (
        "the message shows at full voltage but the path reads sound behind the coil: it comes and "
        "goes, or shows only at full voltage; come back when it is wet, or test insulation"
    )


# -- following


def _follow(case: Case) -> Act | Ending | None:
    if len(case.state.log) >= MOST_READINGS:
        return unproved(case, "many readings were taken and they do not agree on a place")
    choice = case.choose()
    if choice is None:
        return None
    beside = incoming_checked(case, choice) or reference_anew(case, choice)
    if beside is not None:
        return beside
    return Act(
        stage="following",
        do="clamp",
        node=choice.wire.node,
        wire=choice.wire.id,
        why="",
        choice=choice,
    )
