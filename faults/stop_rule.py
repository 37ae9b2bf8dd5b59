"""When to ask whether to repair, go on or renew, and what each would cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

SHARE_TO_ASK = 0.8
"""At this share of the approved limit it is asked."""


@dataclass(frozen=True, slots=True)
class Rates:
    """A contractor's figures: money of an hour and of a metre laid anew (None: not known),
    minutes of a usual repair and of a metre laid anew."""

    hour_money: float | None = None
    renew_metre_money: float | None = None
    renew_metre_min: float = 3.0
    repair_min: float = 60.0


@dataclass(frozen=True, slots=True)
class Spent:
    """What a call has cost: minutes of tracing and repairing, money besides the hours."""

    minutes: float
    money: float = 0.0


@dataclass(frozen=True, slots=True)
class Limit:
    """Up to how many minutes, or how much money, a call may cost; one of them."""

    minutes: float | None = None
    money: float | None = None


@dataclass(frozen=True, slots=True)
class Option:
    """One way on: minutes likely (P50) and in nine of ten cases (P90), and what they cost; money
    None where a rate is not known, minutes None where the engine does not say."""

    choice: str
    p50_min: float | None
    p90_min: float | None
    p50_money: float | None = None
    p90_money: float | None = None


def share_spent(spent: Spent, limit: Limit, rates: Rates) -> float | None:
    """Which share of the limit is spent; None where a rate is needed and not known."""
    if limit.minutes is not None:
        return spent.minutes / limit.minutes
    cost = _money(spent.minutes, rates)
    if limit.money is None or cost is None:
        return None
    return (cost + spent.money) / limit.money


def is_asked(share: float | None, answered_at: Sequence[float]) -> bool:
    """Whether it is time to decide, at this share of the limit, with answers given at those.

    An answer from before it was asked decides nothing. One from near the limit holds until the
    limit is all spent; then it is asked once more.
    """
    if share is None or share < SHARE_TO_ASK:
        return False
    last = max((one for one in answered_at if one >= SHARE_TO_ASK), default=None)
    return last is None or (share >= 1.0 and last < 1.0)


def options(
    remaining_min: tuple[float, float] | None, stretch_m: float | None, rates: Rates
) -> tuple[Option, Option, Option]:
    """Repair what is suspected, go on, or lay the suspected stretch anew, each with its cost.

    ``remaining_min``: what the engine says is still to go, P50 and P90, the repair not counted.
    ``stretch_m``: the length of cable where the fault is suspected; None: not known.
    """
    repair = _option("repair", (rates.repair_min, rates.repair_min), rates)
    more = None
    if remaining_min is not None:
        more = remaining_min[0] + rates.repair_min, remaining_min[1] + rates.repair_min
    renew = Option("renew", None, None)
    if stretch_m is not None:
        minutes = stretch_m * rates.renew_metre_min
        money = _money(minutes, rates)
        if money is not None and rates.renew_metre_money is not None:
            money += stretch_m * rates.renew_metre_money
        else:
            money = None
        renew = Option("renew", minutes, minutes, money, money)
    return repair, _option("go-on", more, rates), renew


def _option(choice: str, minutes: tuple[float, float] | None, rates: Rates) -> Option:
    if minutes is None:
        return Option(choice, None, None)
    p50, p90 = minutes
    return Option(choice, p50, p90, _money(p50, rates), _money(p90, rates))


def _money(minutes: float, rates: Rates) -> float | None:
    return None if rates.hour_money is None else rates.hour_money * minutes / 60.0
