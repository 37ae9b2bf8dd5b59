"""What is no place on the map: how well each such hypothesis fits, not normed yet."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.evidence import Evidence, looks_tallied
from faults.tracing.likelihood import ReadingNoise
from faults.tracing.log_sums import log_sum
from faults.tracing.messages import full_current_ma, looks_log_chance, overload_log_chance
from faults.tracing.soundness import SoundScales

FloatArray = NDArray[np.float64]

REPORTED_SOUND = 0.3
"""Chance that a path that is sound now was reported for overcurrent."""


def sound_log(scales: SoundScales, sound_fit: FloatArray, beliefs: Assumptions) -> FloatArray:
    """log of likelihood x prior of a sound path, by draw scale."""
    return np.asarray(sound_fit + scales.sound_log_weights(beliefs))


def apart_logs(
    evidence: Evidence,
    scales: SoundScales,
    sound_fit: FloatArray,
    noise: ReadingNoise,
    beliefs: Assumptions,
) -> dict[str, float]:
    """log chance (not normed) of each hypothesis that is no place on the map.

    ``sound_fit`` is the log likelihood of the readings by draw scale, without a fault.
    """
    problem = scales.problem
    sound = sound_log(scales, sound_fit, beliefs)
    over = sound_fit + scales.overload_log_weights(beliefs)
    whole = full_current_ma(scales.faults(), problem)
    looks = np.zeros_like(sound)
    stays = fickle = 0.0
    misread = beliefs.misread_message
    for legs_on, shown, not_shown in looks_tallied(evidence.looks):
        alone = legs_on is not None and not legs_on
        seen = np.zeros_like(whole) if alone else whole
        looks = looks + looks_log_chance(shown, not_shown, seen, problem, beliefs)[0, 0]
        stays += shown * math.log(1.0 - misread) + not_shown * math.log(misread)
        often = misread if alone else 0.5
        fickle += shown * math.log(often) + not_shown * math.log(1.0 - often)
    trips = overload_log_chance(whole[0, 0, :], problem, beliefs)
    priors = beliefs.priors
    plain = log_sum(sound)
    return {
        "none": math.log(priors.none * REPORTED_SOUND) + log_sum(sound + looks),
        "controller": math.log(priors.controller) + plain + stays,
        "overload": math.log(priors.overload) + log_sum(over + looks + trips),
        "hidden": math.log(priors.hidden) + plain + fickle,
        # None of all: every reading anywhere between nothing and what a fault draws.
        "other": math.log(priors.other) - len(noise.current_ma) * math.log(noise.top_ma) + fickle,
    }
