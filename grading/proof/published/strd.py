"""Certified values of NIST's Statistical Reference Datasets: univariate summary, analysis of variance."""

from collections.abc import Callable, Iterator, Sequence
from functools import cache

from grading.metrology import repeatability
from grading.proof.published import data
from grading.proof.published.case import READ, SECOND_HAND, PublishedCase, agrees_relatively

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


def _univariate() -> Iterator[PublishedCase]:
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
            yield agrees_relatively(
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


def _anova() -> Iterator[PublishedCase]:
    for name, table, f_ratio, sd, r_squared, tolerance, note in _ANOVA:
        for what, published, compute in (
            ("F statistic", f_ratio, lambda table=table: table().between.f_ratio or 0.0),
            ("residual standard deviation", sd, lambda table=table: table().within_standard_deviation),
            ("R squared", r_squared, lambda table=table: table().r_squared),
        ):
            yield agrees_relatively(
                _STRD,
                f"{name}, {what}",
                published,
                f"{_STRD_SOURCE}, {name}",
                compute,
                tolerance,
                known=READ,
                note=note,
            )


CASES: tuple[PublishedCase, ...] = (*_univariate(), *_anova())
