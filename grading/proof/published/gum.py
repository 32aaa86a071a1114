"""Worked examples of JCGM 100:2008, the Guide to the expression of uncertainty in measurement."""

from collections.abc import Sequence
from functools import partial
from math import floor, inf, sqrt

from scipy import stats

from grading.metrology import repeatability, uncertainty
from grading.proof.published import data
from grading.proof.published.case import FROM_MEMORY, SECOND_HAND, rounds_to

_GUM = "JCGM 100:2008"
_GUM_SOURCE = "JCGM 100:2008, Guide to the expression of uncertainty in measurement"


def _end_gauge() -> uncertainty.CombinedUncertainty:
    """H.1: l = l_S + d - l_S (delta_alpha theta + alpha_S delta_theta), lengths in nanometres."""
    inputs = [
        uncertainty.certificate("standard", 50.000623e6, 75, coverage_factor=3, degrees_of_freedom=18),
        uncertainty.normal("observed difference", 215, 5.8, 24),
        uncertainty.normal("comparator, random", 0, 3.9, 5),
        uncertainty.normal("comparator, systematic", 0, 6.7, 8),
        uncertainty.rectangular("expansion of the standard", 11.5e-6, 2e-6),
        uncertainty.normal("mean temperature of the bed", -0.1, 0.2),
        uncertainty.normal("cycling of the bed", 0, 0.35),
        uncertainty.rectangular("difference of expansion", 0, 1e-6, 50),
        uncertainty.rectangular("difference of temperature", 0, 0.05, 2),
    ]

    def length(x: Sequence[float]) -> float:
        standard, d0, d1, d2, alpha, bed, cycle, d_alpha, d_theta = x
        return standard + d0 + d1 + d2 - standard * (d_alpha * (bed + cycle) + alpha * d_theta)

    return uncertainty.propagate(length, inputs)


def _zener() -> repeatability.OneWay:
    return repeatability.summarised_groups(data.GUM_ZENER_MEANS, [s * 1e-6 for s in data.GUM_ZENER_SDS], [5] * 10)


def _g41() -> float:
    """G.4.1: three relative components in percent; the Guide's u_c is the rounded 1.03."""
    return uncertainty.welch_satterthwaite(1.03, [0.25, 0.57, 0.82], [9, 4, 14])


_ROUNDED = "the Guide works on with its rounded value"


def _temperatures() -> uncertainty.InputQuantity:
    return uncertainty.type_a("temperature", data.GUM_TEMPERATURES)


CASES = (
    *(
        rounds_to(_GUM, f"4.4.3 {what}", published, f"{_GUM_SOURCE}, 4.4.3 and table 1", SECOND_HAND, compute)
        for what, published, compute in (
            ("mean of 20 temperatures, degC", "100.145", lambda: _temperatures().estimate),
            (
                "standard deviation, degC",
                "1.489",
                lambda: repeatability.summary(data.GUM_TEMPERATURES).standard_deviation,
            ),
            ("standard uncertainty of the mean, degC", "0.333", lambda: _temperatures().standard_uncertainty),
        )
    ),
    rounds_to(
        _GUM,
        "G.4.1 effective degrees of freedom",
        "19.0",
        f"{_GUM_SOURCE}, G.4.1 example",
        SECOND_HAND,
        _g41,
        note=_ROUNDED,
    ),
    rounds_to(
        _GUM,
        "G.4.1 expanded uncertainty, %",
        "2.2",
        f"{_GUM_SOURCE}, G.4.1 example",
        SECOND_HAND,
        lambda: 1.03 * uncertainty.coverage_factor(19, 0.95),
    ),
    rounds_to(
        _GUM,
        "G.4.2 degrees of freedom of a u reliable to 25 %",
        "8",
        f"{_GUM_SOURCE}, G.4.2 example",
        SECOND_HAND,
        lambda: uncertainty.degrees_from_reliability(0.25),
    ),
    *(
        rounds_to(
            _GUM,
            f"table G.2, t at {100 * p:g} %, v = {v:g}",
            published,
            f"{_GUM_SOURCE}, table G.2",
            SECOND_HAND,
            partial(uncertainty.coverage_factor, v, p),
        )
        for v, p, published in (
            (16.0, 0.95, "2.12"),
            (16.0, 0.9545, "2.17"),
            (16.0, 0.99, "2.92"),
            (inf, 0.9545, "2.00"),
        )
    ),
    *(
        rounds_to(_GUM, f"H.1 end gauge, {what}", published, f"{_GUM_SOURCE}, H.1", SECOND_HAND, compute, note=note)
        for what, published, compute, note in (
            ("length, mm", "50.000838", lambda: _end_gauge().estimate / 1e6, ""),
            (
                "combined standard uncertainty, nm",
                "32",
                lambda: _end_gauge().combined_standard_uncertainty,
                "",
            ),
            (
                "effective degrees of freedom, cut down",
                "16",
                lambda: float(floor(_end_gauge().effective_degrees_of_freedom)),
                "",
            ),
            (
                "coverage factor at 99 %",
                "2.92",
                lambda: uncertainty.expand(_end_gauge(), 0.99).coverage_factor,
                "",
            ),
            (
                "expanded uncertainty at 99 %, nm",
                "93",
                lambda: (
                    uncertainty.expand(_end_gauge(), 0.99).coverage_factor
                    * round(_end_gauge().combined_standard_uncertainty)
                ),
                _ROUNDED,
            ),
        )
    ),
    rounds_to(
        _GUM,
        "H.1.6 degrees of freedom of the difference",
        "25.6",
        f"{_GUM_SOURCE}, H.1.6",
        SECOND_HAND,
        lambda: uncertainty.welch_satterthwaite(9.7, [5.8, 3.9, 6.7], [24, 5, 8]),
        note=_ROUNDED,
    ),
    *(
        rounds_to(
            _GUM,
            f"H.5 Zener, {what}",
            published,
            f"{_GUM_SOURCE}, H.5",
            known,
            compute,
            allow=allow,
            note=note,
        )
        for what, published, known, compute, allow, note in (
            ("grand mean, V", "10.000097", SECOND_HAND, lambda: _zener().grand_mean, 0.0, ""),
            (
                "standard deviation of the days' means, uV",
                "57",
                SECOND_HAND,
                lambda: 1e6 * sqrt(_zener().between.mean_square / 5),
                0.0,
                "",
            ),
            (
                "within-day standard deviation, uV",
                "85",
                SECOND_HAND,
                lambda: 1e6 * _zener().within_standard_deviation,
                0.0,
                "",
            ),
            (
                "F (eq. H.27)",
                "2.25",
                SECOND_HAND,
                lambda: _zener().between.f_ratio or 0.0,
                0.02,
                "the Guide divides the rounded 57 and 85 uV; 0.02 more is allowed",
            ),
            (
                "F(0.95; 9, 40)",
                "2.12",
                FROM_MEMORY,
                lambda: float(stats.f.ppf(0.95, _zener().between.degrees_of_freedom, 40)),
                0.0,
                "",
            ),
            (
                "between-day standard deviation, uV",
                "43",
                FROM_MEMORY,
                lambda: 1e6 * sqrt(_zener().between_variance),
                0.0,
                "",
            ),
        )
    ),
)
