"""Published values, each beside what this house computes for it.

What it offers
--------------
    :class:`Case`, :class:`Result`, :data:`CASES`, :func:`run`

A case names its source and how the published value was come by:
    ``read``                 in the publication itself, or in the publisher's own data file
    ``read at second hand``  in a public reproduction that names the publication
    ``from memory``          the document is known but was not at hand
    ``promise``              not published: what one of our own rules promises, tried by simulation
A published value is met when the computed one rounds to it; where more is allowed, the case's note says why.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache, partial
from math import floor, inf, isnan, sqrt
from typing import NamedTuple

from scipy import stats

from catalog import electrics
from grading import conformity, control, repeatability, simulated, uncertainty
from grading import published_data as data
from grading.conformity import (
    AcceptanceLimits,
    GuardedAcceptance,
    Limits,
    MaximumFalseAcceptance,
    SimpleAcceptance,
)

READ = "read"
SECOND_HAND = "read at second hand"
FROM_MEMORY = "from memory"
PROMISE = "promise"


class Case(NamedTuple):
    """One published value: ``low`` and ``high`` bound what agrees with it."""

    topic: str
    name: str
    published: str
    low: float
    high: float
    source: str
    known: str
    compute: Callable[[], float]
    note: str = ""


class Result(NamedTuple):
    """A case with what was computed for it."""

    case: Case
    computed: float
    agrees: bool


def run(cases: Iterable[Case] | None = None) -> Iterator[Result]:
    """Compute each case in turn, every one of :data:`CASES` by default."""
    for case in CASES if cases is None else cases:
        computed = case.compute()
        yield Result(case, computed, not isnan(computed) and case.low <= computed <= case.high)


def _rounds_to(
    topic: str,
    name: str,
    published: str,
    source: str,
    known: str,
    compute: Callable[[], float],
    *,
    allow: float = 0.0,
    note: str = "",
) -> Case:
    """A value that agrees when it is within half a unit of the last published digit, plus ``allow``."""
    value = float(published)
    decimals = len(published.partition(".")[2])
    half = 0.5 * 10.0**-decimals * (1 + 1e-9) + allow
    return Case(topic, name, published, value - half, value + half, source, known, compute, note)


def _relatively(
    topic: str,
    name: str,
    published: str,
    source: str,
    compute: Callable[[], float],
    tolerance: float,
    *,
    known: str,
    note: str = "",
) -> Case:
    """A certified value that agrees within a relative tolerance."""
    value = float(published)
    half = abs(value) * tolerance
    return Case(topic, name, published, value - half, value + half, source, known, compute, note)


def _at_most(topic: str, name: str, most: float, words: str, compute: Callable[[], float]) -> Case:
    return Case(topic, name, words, 0.0, most, _OURS, PROMISE, compute)


_OURS = f"simulation of {simulated.VALVES} valves, fixed seed"


# JCGM 100:2008

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

_GUM_CASES = (
    *(
        _rounds_to(_GUM, f"4.4.3 {what}", published, f"{_GUM_SOURCE}, 4.4.3 and table 1", SECOND_HAND, compute)
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
    _rounds_to(
        _GUM,
        "G.4.1 effective degrees of freedom",
        "19.0",
        f"{_GUM_SOURCE}, G.4.1 example",
        SECOND_HAND,
        _g41,
        note=_ROUNDED,
    ),
    _rounds_to(
        _GUM,
        "G.4.1 expanded uncertainty, %",
        "2.2",
        f"{_GUM_SOURCE}, G.4.1 example",
        SECOND_HAND,
        lambda: 1.03 * uncertainty.coverage_factor(19, 0.95),
    ),
    _rounds_to(
        _GUM,
        "G.4.2 degrees of freedom of a u reliable to 25 %",
        "8",
        f"{_GUM_SOURCE}, G.4.2 example",
        SECOND_HAND,
        lambda: uncertainty.degrees_from_reliability(0.25),
    ),
    *(
        _rounds_to(
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
        _rounds_to(_GUM, f"H.1 end gauge, {what}", published, f"{_GUM_SOURCE}, H.1", SECOND_HAND, compute, note=note)
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
    _rounds_to(
        _GUM,
        "H.1.6 degrees of freedom of the difference",
        "25.6",
        f"{_GUM_SOURCE}, H.1.6",
        SECOND_HAND,
        lambda: uncertainty.welch_satterthwaite(9.7, [5.8, 3.9, 6.7], [24, 5, 8]),
        note=_ROUNDED,
    ),
    *(
        _rounds_to(
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


def _temperatures() -> uncertainty.InputQuantity:
    return uncertainty.type_a("temperature", data.GUM_TEMPERATURES)


# JCGM 106:2012

_106 = "JCGM 106:2012"
_106_SOURCE = "JCGM 106:2012, The role of measurement uncertainty in conformity assessment"
_BEARINGS = stats.gamma(a=4, scale=0.25)
_BEARING_LIMITS = Limits(upper=2.0)


def _speed_threshold() -> float:
    """8.3.3: the speed whose probability of exceeding 100 km/h is 99.9 %, u being 2 % of the speed.

    The guard band of a rule of at most 0.1 % false rejection, taken at the threshold itself.
    """
    threshold = 100.0
    for _ in range(100):
        band = conformity.acceptance_limits(Limits(lower=100.0), 0.02 * threshold, MaximumFalseAcceptance(0.001))
        threshold = 100.0 + band.guard_band
    return threshold


@cache
def _bearing_risk(acceptance: float) -> float:
    return conformity.global_risks(
        _BEARINGS, 0.25, _BEARING_LIMITS, AcceptanceLimits(-inf, acceptance, 2.0 - acceptance)
    ).consumer


def _bearing_acceptance() -> float:
    """The acceptance limit that brings the consumer's risk down to 0.1 %, by halving."""
    low, high = 1.0, 2.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if _bearing_risk(middle) < 0.001 else (low, middle)
    return (low + high) / 2


_NOTEBOOK = "9.5.4, as worked in a national laboratory's published notebook"

_106_CASES = (
    *(
        _rounds_to(_106, name, published, f"{_106_SOURCE}, {clause}", FROM_MEMORY, compute)
        for name, published, clause, compute in (
            (
                "breakdown voltage of a Zener diode, p_c",
                "0.92",
                "7.3.3 example 1",
                lambda: conformity.conformance_probability(-5.47, 0.05, Limits(upper=-5.40)),
            ),
            (
                "burst pressure of a container, p_c",
                "0.99",
                "7.3.3 example 2",
                lambda: conformity.conformance_probability(509.7, 8.6, Limits(lower=490)),
            ),
            (
                "viscosity of motor oil, p_c",
                "0.66",
                "7.4 example",
                lambda: conformity.conformance_probability(13.6, 1.8, Limits(12.5, 16.3)),
            ),
            ("threshold of a speed limit, km/h", "107", "8.3.3 example", _speed_threshold),
        )
    ),
    *(
        _rounds_to(_106, f"ball bearings, {name}", published, f"{_106_SOURCE}, {_NOTEBOOK}", SECOND_HAND, compute)
        for name, published, compute in (
            (
                "not conforming, %",
                "4.2",
                lambda: 100 * conformity.global_risks(_BEARINGS, 0.25, _BEARING_LIMITS).nonconforming,
            ),
            (
                "global consumer's risk, %",
                "0.8",
                lambda: 100 * conformity.global_risks(_BEARINGS, 0.25, _BEARING_LIMITS).consumer,
            ),
            ("acceptance limit for a risk of 0.1 %, um", "1.67", _bearing_acceptance),
        )
    ),
)


# NIST StRD

_STRD = "NIST StRD"
_STRD_SOURCE = "NIST/ITL Statistical Reference Datasets"

# The relative agreement asked, by what double precision leaves of each set's digits.
_UNIVARIATE: tuple[tuple[str, Callable[[], Sequence[float]], str, str, str, float, str], ...] = (
    ("Lew", lambda: data.LEW, "-177.435000000000", "277.332168044316", "-0.307304800605679", 1e-14, ""),
    (
        "Lottery",
        lambda: data.LOTTERY,
        "518.958715596330",
        "291.699727470969",
        "-0.120948622967393",
        1e-14,
        "",
    ),
    (
        "Mavro",
        lambda: data.MAVRO,
        "2.00185600000000",
        "0.000429123454003053",
        "0.937989183438248",
        1e-12,
        "four constant leading digits",
    ),
    (
        "Michelso",
        lambda: data.MICHELSO,
        "299.852400000000",
        "0.0790105478190518",
        "0.535199668621283",
        1e-12,
        "three constant leading digits",
    ),
    ("NumAcc1", lambda: data.NUMACC_1, "10000002", "1", "-0.5", 1e-14, ""),
    ("NumAcc2", lambda: data.numacc("1.2", "1.1", "1.3"), "1.2", "0.1", "-0.999", 1e-14, ""),
    (
        "NumAcc3",
        lambda: data.numacc("1000000.2", "1000000.1", "1000000.3"),
        "1000000.2",
        "0.1",
        "-0.999",
        1e-9,
        "eight constant leading digits: nine are left of sixteen",
    ),
    (
        "NumAcc4",
        lambda: data.numacc("10000000.2", "10000000.1", "10000000.3"),
        "10000000.2",
        "0.1",
        "-0.999",
        1e-8,
        "nine constant leading digits: eight are left of sixteen",
    ),
)


def _univariate() -> Iterator[Case]:
    for name, values, mean, sd, r1, tolerance, note in _UNIVARIATE:
        for what, published, compute in (
            ("mean", mean, lambda values=values: repeatability.summary(values()).mean),
            (
                "standard deviation",
                sd,
                lambda values=values: repeatability.summary(values()).standard_deviation,
            ),
            (
                "lag-1 autocorrelation",
                r1,
                lambda values=values: repeatability.summary(values()).lag_1_autocorrelation,
            ),
        ):
            yield _relatively(
                _STRD,
                f"{name}, {what}",
                published,
                f"{_STRD_SOURCE}, {name}",
                compute,
                tolerance,
                known=SECOND_HAND,
                note=note,
            )


@cache
def _simon_lesage(leading: str, replicates: int) -> repeatability.OneWay:
    return repeatability.one_way(data.simon_lesage(leading, replicates))


_ANOVA: tuple[tuple[str, Callable[[], repeatability.OneWay], str, str, str, float, str], ...] = (
    (
        "SiRstv",
        lambda: repeatability.one_way(data.SIRSTV),
        "1.18046237440255E+00",
        "1.04076068334656E-01",
        "1.90999039051129E-01",
        1e-12,
        "",
    ),
    (
        "AtmWtAg",
        lambda: repeatability.one_way(data.ATMWTAG),
        "1.59467335677930E+01",
        "1.51048314446410E-05",
        "2.57426544538321E-01",
        1e-9,
        "seven constant leading digits: nine are left of sixteen",
    ),
    *(
        (
            f"SmLs0{3 * j + i + 1}",
            lambda leading=leading, replicates=replicates: _simon_lesage(leading, replicates),
            f_ratio,
            "1.00000000000000E-01",
            r_squared,
            tolerance,
            note,
        )
        for j, (leading, tolerance, note) in enumerate(
            (
                ("1", 1e-13, ""),
                ("1000000", 1e-9, "seven constant leading digits: nine are left of sixteen"),
                ("1000000000000", 1e-3, "thirteen constant leading digits: three are left of sixteen"),
            )
        )
        for i, (replicates, f_ratio, r_squared) in enumerate(
            (
                (21, "2.10000000000000E+01", "4.82758620689655E-01"),
                (201, "2.01000000000000E+02", "4.71830985915493E-01"),
                (2001, "2.00100000000000E+03", "4.70712773465067E-01"),
            )
        )
    ),
)


def _anova() -> Iterator[Case]:
    for name, table, f_ratio, sd, r_squared, tolerance, note in _ANOVA:
        for what, published, compute in (
            ("F statistic", f_ratio, lambda table=table: table().between.f_ratio or 0.0),
            ("residual standard deviation", sd, lambda table=table: table().within_standard_deviation),
            ("R squared", r_squared, lambda table=table: table().r_squared),
        ):
            yield _relatively(
                _STRD,
                f"{name}, {what}",
                published,
                f"{_STRD_SOURCE}, {name}",
                compute,
                tolerance,
                known=READ,
                note=note,
            )


# NIST/SEMATECH e-Handbook

_HANDBOOK = "NIST e-Handbook"
_HANDBOOK_SOURCE = "NIST/SEMATECH e-Handbook of Statistical Methods"


def _flow_rate() -> control.IndividualsChart:
    return control.individuals_chart(data.FLOW_RATE)


def _ewma() -> tuple[control.EwmaPoint, ...]:
    return control.ewma(data.EWMA_DATA, 50, 2.0539, weight=0.3, settled_limits=True)


def _ewma_point(i: int) -> float:
    return _ewma()[i].value


_HANDBOOK_CASES = (
    *(
        _rounds_to(
            _HANDBOOK, f"individuals chart, {what}", published, f"{_HANDBOOK_SOURCE}, 6.3.2.2", SECOND_HAND, compute
        )
        for what, published, compute in (
            ("centre line", "50.81", lambda: _flow_rate().centre),
            ("mean moving range", "1.8778", lambda: _flow_rate().mean_moving_range),
            ("upper control limit", "55.8041", lambda: _flow_rate().upper_control_limit),
            ("lower control limit", "45.8159", lambda: _flow_rate().lower_control_limit),
        )
    ),
    _rounds_to(
        _HANDBOOK,
        "EWMA chart, upper control limit",
        "52.5884",
        f"{_HANDBOOK_SOURCE}, 6.3.2.4",
        SECOND_HAND,
        lambda: _ewma()[0].upper_control_limit,
    ),
    _rounds_to(
        _HANDBOOK,
        "EWMA chart, lower control limit",
        "47.4115",
        f"{_HANDBOOK_SOURCE}, 6.3.2.4",
        SECOND_HAND,
        lambda: _ewma()[0].lower_control_limit,
        allow=0.00005,
        note="the Handbook cuts this limit off (47.41157) instead of rounding it",
    ),
    *(
        _rounds_to(
            _HANDBOOK,
            f"EWMA chart, point {i + 1}",
            f"{printed:.2f}",
            f"{_HANDBOOK_SOURCE}, 6.3.2.4",
            SECOND_HAND,
            partial(_ewma_point, i),
        )
        for i, printed in enumerate(data.EWMA_PRINTED)
    ),
)


# The gauge study of the MSA manual

_GAUGE = "Gauge study"
_GAUGE_SOURCE = (
    '"Measurement Systems Analysis", 4th ed., data; variance components as published for them in a statistics'
    " package's worked example of a crossed study"
)


@cache
def _gauge() -> repeatability.CrossedStudy:
    return repeatability.crossed_study(data.GAUGE_STUDY)


_GAUGE_CASES = tuple(
    _rounds_to(_GAUGE, what, published, _GAUGE_SOURCE, SECOND_HAND, compute)
    for what, published, compute in (
        ("interaction, F", "0.434", lambda: _gauge().anova[2].f_ratio or 0.0),
        ("interaction, p", "0.974", lambda: _gauge().anova[2].p_value or 0.0),
        ("variance, repeatability", "0.03997", lambda: _gauge().repeatability.variance),
        ("variance, reproducibility", "0.05146", lambda: _gauge().reproducibility.variance),
        ("variance, repeatability and reproducibility", "0.09143", lambda: _gauge().gauge.variance),
        ("variance, part to part", "1.08645", lambda: _gauge().part_to_part.variance),
        ("variance, total", "1.17788", lambda: _gauge().total.variance),
        ("contribution of the gauge, %", "7.76", lambda: _gauge().gauge.contribution_percent),
        ("study variation of the gauge, %", "27.86", lambda: _gauge().gauge.study_variation_percent),
        (
            "study variation, repeatability, %",
            "18.42",
            lambda: _gauge().repeatability.study_variation_percent,
        ),
        (
            "study variation, reproducibility, %",
            "20.90",
            lambda: _gauge().reproducibility.study_variation_percent,
        ),
        ("study variation, parts, %", "96.04", lambda: _gauge().part_to_part.study_variation_percent),
        ("number of distinct categories", "4", lambda: float(_gauge().distinct_categories)),
    )
)


# A triode at work

_VALVE = "Valve model"
_VALVE_SOURCE = (
    '"Electronics", chapter 6 "Vacuum Tubes", p. 176, eqs. 6.37 to 6.42; its circuit (330 V, 100 kohm, 1.5 kohm)'
    " is not on the page read, and is inferred from the currents and gains there"
)


@cache
def _stage() -> electrics.OperatingPoint:
    return electrics.operating_point(
        electrics.TRIODES["12AX7"], supply_v=330, anode_load_kohm=100, cathode_resistor_kohm=1.5
    )


def _page_resistance() -> float:
    """The page's ra: the parameter mu over gm."""
    return electrics.anode_resistance(100, _stage().gm_ma_per_v)


_VALVE_CASES = tuple(
    _rounds_to(_VALVE, f"12AX7, {what}", published, _VALVE_SOURCE, READ, compute)
    for what, published, compute in (
        ("anode current, mA", "1.07", lambda: _stage().anode_current_ma),
        ("anode to cathode, V", "221", lambda: _stage().conditions.anode_voltage_v),
        ("grid to cathode, V", "-1.61", lambda: _stage().conditions.grid_voltage_v),
        ("mutual conductance, mA/V", "1.88", lambda: _stage().gm_ma_per_v),
        ("anode resistance as mu / gm, kohm", "53.3", _page_resistance),
        ("gain, cathode bypassed", "-65", lambda: -100 * 100 / (100 + _page_resistance())),
        ("gain, cathode not bypassed", "-33", lambda: -100 * 100 / (100 + _page_resistance() + 101 * 1.5)),
    )
)


# Promises

_TRIED = "Simulation"


@cache
def _false_accepts(rule: conformity.Rule, limit: float) -> simulated.FalseAccepts:
    return simulated.false_accepts(rule, limit)


def _accepted_at_limit(rule: conformity.Rule, limit: float) -> float:
    return _false_accepts(rule, limit).at_limit


def _wrong_among_accepted(rule: conformity.Rule, limit: float) -> float:
    return _false_accepts(rule, limit).among_accepted


def _promises() -> Iterator[Case]:
    rules: tuple[tuple[str, conformity.Rule, float], ...] = (
        ("guard band w = U (k = 2)", GuardedAcceptance(), float(stats.norm.sf(2))),
        ("at most 5 % false acceptance", MaximumFalseAcceptance(0.05), 0.05),
        ("at most 1 % false acceptance", MaximumFalseAcceptance(0.01), 0.01),
    )
    for side, limit in (("lower", simulated.LIMITS.lower), ("upper", simulated.LIMITS.upper)):
        for words, rule, promise in rules:
            yield _at_most(
                _TRIED,
                f"{words}: accepted of the valves lying on the {side} limit",
                promise,
                f"<= {100 * promise:.2f} %",
                partial(_accepted_at_limit, rule, limit),
            )
            yield _at_most(
                _TRIED,
                f"{words}: not conforming among those accepted near the {side} limit",
                promise,
                f"<= {100 * promise:.2f} %",
                partial(_wrong_among_accepted, rule, limit),
            )
        yield _at_most(
            _TRIED,
            f"simple acceptance: not conforming among those accepted near the {side} limit",
            0.5,
            "<= 50 %",
            partial(_wrong_among_accepted, SimpleAcceptance(), limit),
        )
    for what, compute in (
        ("a reading", simulated.reading_coverage),
        ("the difference of two readings", simulated.difference_coverage),
        ("the spread of an equal pair", lambda: simulated.spread_coverage(2)),
        ("the spread of an equal quad", lambda: simulated.spread_coverage(4)),
    ):
        name = f"95 % interval of {what} holds the true value"
        yield Case(_TRIED, name, "94 to 96 %", 0.94, 0.96, _OURS, PROMISE, compute)


CASES: tuple[Case, ...] = (
    *_GUM_CASES,
    *_106_CASES,
    *_univariate(),
    *_anova(),
    *_HANDBOOK_CASES,
    *_GAUGE_CASES,
    *_VALVE_CASES,
    *_promises(),
)
