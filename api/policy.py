"""Who may do what: the one table of routes and methods. What is not in it is refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from core.accounts.actor import Actor, Role, TokenScope
from core.problems import NotAllowed, NotSignedIn


@dataclass(frozen=True)
class Rule:
    """People of one of ``roles`` and tokens with one of ``scopes`` may."""

    roles: frozenset[Role]
    scopes: frozenset[TokenScope]

    def allows(self, actor: Actor) -> bool:
        """Whether this actor may."""
        if actor.kind == "person":
            return bool(self.roles & actor.roles)
        return actor.kind == "token" and bool(self.scopes & actor.scopes)


_ALL = frozenset(Role)
_FIELD = frozenset({Role.TECHNICIAN, Role.SUPERVISOR, Role.OWNER})
_OFFICE = frozenset({Role.SUPERVISOR, Role.OWNER})
_LOOK_BACK = frozenset({Role.SUPERVISOR, Role.AUDITOR, Role.OWNER})
_OWNER = frozenset({Role.OWNER})


def _rule(roles: frozenset[Role], *scopes: TokenScope) -> Rule:
    return Rule(roles, frozenset(scopes))


ANYBODY = _rule(_ALL, *TokenScope)
READ = _rule(_ALL, TokenScope.READ)
READ_BACK = _rule(_LOOK_BACK, TokenScope.READ)
KEEP_ASKED = _rule(_LOOK_BACK, TokenScope.ADMIN)
REGISTER = _rule(_OFFICE, TokenScope.REGISTER)
CORRECT = _rule(_FIELD, TokenScope.REGISTER)
REPORT = _rule(_FIELD, TokenScope.EVENTS)
TRACE = _rule(_FIELD, TokenScope.TRACES)
JOBS = _rule(_OFFICE, TokenScope.ADMIN)
ADMIN = _rule(_OWNER, TokenScope.ADMIN)

POLICY: Mapping[str, Mapping[str, Rule]] = {
    "me": {"GET": ANYBODY},
    "schema": {"GET": ANYBODY},
    # people
    "people": {"GET": ADMIN, "POST": ADMIN},
    "person": {"GET": ADMIN, "PATCH": ADMIN},
    "person-password-link": {"POST": ADMIN},
    "crews": {"GET": ADMIN, "POST": ADMIN},
    "crew": {"GET": ADMIN, "PATCH": ADMIN},
    "tokens": {"GET": ADMIN, "POST": ADMIN},
    "token": {"GET": ADMIN},
    "token-revoke": {"POST": ADMIN},
    # the register
    "properties": {"GET": READ, "POST": REGISTER},
    "property": {"GET": READ, "PATCH": REGISTER},
    "property-end": {"POST": REGISTER},
    "controllers": {"GET": READ, "POST": REGISTER},
    "controller": {"GET": READ, "PATCH": REGISTER},
    "controller-end": {"POST": REGISTER},
    "controller-seasons": {"PUT": REGISTER},
    "controller-wire-paths": {"POST": REGISTER},
    "wire-paths": {"GET": READ},
    "wire-path": {"GET": READ},
    "wire-path-end": {"POST": REGISTER},
    "wire-path-revisions": {"GET": READ},
    "wire-path-survey": {"GET": READ, "PUT": REGISTER},
    "wire-path-corrections": {"POST": CORRECT},
    "wire-path-geojson": {"GET": READ},
    "wire-path-figures": {"GET": READ},
    "devices": {"GET": READ},
    "device": {"GET": READ},
    # faults
    "events": {"GET": READ, "POST": REPORT},
    "events-bulk": {"POST": REPORT},
    "event": {"GET": READ},
    "calls": {"GET": READ, "POST": TRACE},
    "call": {"GET": READ, "PATCH": TRACE},
    "call-moves": {"GET": READ, "POST": TRACE},
    "call-assign": {"POST": TRACE},
    "call-events": {"GET": READ},
    "call-repairs": {"GET": READ, "POST": TRACE},
    "call-removed-parts": {"GET": READ, "POST": TRACE},
    "call-return-tests": {"GET": READ, "POST": TRACE},
    "call-partial-restore": {"GET": READ, "POST": TRACE},
    "call-partial-restore-proposal": {"GET": READ},
    "call-as-left-answers": {"GET": READ, "POST": TRACE},
    "call-needs": {"GET": READ, "PUT": TRACE},
    "call-stop-questions": {"GET": READ, "POST": TRACE},
    "call-limits": {"POST": REGISTER},
    "day-plans": {"GET": READ, "POST": REGISTER},
    "day-plan": {"GET": READ},
    "day-plan-publish": {"POST": REGISTER},
    "day-plan-moves": {"POST": REGISTER},
    "day-plan-take-back": {"POST": REGISTER},
    "day-plan-comparison": {"GET": READ},
    "visits": {"GET": READ},
    "visit": {"GET": READ, "PATCH": TRACE},
    "visit-moves": {"POST": TRACE},
    "crew-card": {"GET": READ, "PUT": REGISTER},
    "crew-position": {"POST": TRACE},
    "crew-calendar-addresses": {"GET": READ, "POST": REGISTER},
    "calendar-address-revoke": {"POST": REGISTER},
    "traces": {"GET": READ, "POST": TRACE},
    "trace": {"GET": READ},
    "trace-next": {"GET": READ},
    "trace-end": {"POST": TRACE},
    "observations": {"GET": READ, "POST": TRACE},
    "observation-voidings": {"POST": TRACE},
    "findings": {"GET": READ},
    "finding": {"GET": READ},
    # around the repair
    "repair": {"GET": READ},
    "repair-failures": {"POST": TRACE},
    "repair-photos": {"POST": TRACE},
    "removed-part": {"GET": READ, "PATCH": TRACE},
    "removed-part-photos": {"POST": TRACE},
    "photo": {"GET": READ},
    "photo-content": {"GET": READ},
    "soak-checks": {"GET": READ},
    "soak-check": {"GET": READ},
    "soak-check-done": {"POST": TRACE},
    "wire-path-as-left": {"GET": READ, "POST": TRACE},
    "wire-path-sound-records": {"GET": READ, "POST": TRACE},
    # the audit
    "audit": {"GET": READ_BACK},
    "audit-events": {"GET": READ_BACK},
    "audit-table": {"GET": READ_BACK},
    "audit-questions": {"GET": READ_BACK, "POST": KEEP_ASKED},
    "audit-question": {"GET": READ_BACK, "PATCH": KEEP_ASKED},
    "audit-question-withdraw": {"POST": KEEP_ASKED},
    "audit-reports": {"GET": READ_BACK, "POST": KEEP_ASKED},
    "audit-report": {"GET": READ_BACK},
    "audit-report-content": {"GET": READ_BACK},
    # trouble and follow-up looks
    "trouble-flags": {"GET": READ},
    "trouble-flag": {"GET": READ},
    "trouble-flag-events": {"GET": READ},
    "trouble-flag-moves": {"GET": READ, "POST": REGISTER},
    "recurrence-runs": {"GET": READ_BACK, "POST": JOBS},
    "recurrence-run": {"GET": READ_BACK},
    "inspections": {"GET": READ},
    "inspection": {"GET": READ},
    "inspection-done": {"POST": TRACE},
    "inspection-skip": {"POST": TRACE},
    "inspection-rules": {"GET": READ, "PUT": REGISTER},
    "work-rules": {"GET": READ, "PUT": REGISTER},
    # background work and changes
    "jobs": {"GET": READ},
    "job": {"GET": READ},
    "job-cancel": {"POST": JOBS},
    "job-ask-again": {"POST": JOBS},
    "changes": {"GET": READ_BACK},
}


def rule_for(route: str, method: str) -> Rule | None:
    """The rule; None where there is none. HEAD is as GET."""
    return POLICY.get(route, {}).get("GET" if method == "HEAD" else method)


def require(actor: Actor | None, route: str, method: str) -> Actor:
    """Who asks, where they may. Raises NotSignedIn and NotAllowed, which says who may."""
    if actor is None:
        raise NotSignedIn("Nobody is known to be asking: sign in, or send a token that is valid.")
    rule = rule_for(route, method)
    if rule is None:
        raise NotAllowed(f"{actor.name} may not do this.")
    if not rule.allows(actor):
        raise NotAllowed(f"{actor.name} may not do this: {_who_may(rule, actor)}.")
    return actor


def _who_may(rule: Rule, actor: Actor) -> str:
    if actor.kind == "token":
        return f"it takes a token with the scope {' or '.join(sorted(rule.scopes))}"
    roles = ", ".join(role.value for role in Role if role in rule.roles)
    return f"it is for people of these roles: {roles}"
