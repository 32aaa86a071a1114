"""Which reading of a code is the likeliest, and where the marks of a valve do not agree with each other.

The points are our policy, no source: they put the likeliest reading on top and say why, nothing more. A
person chooses, and every other reading is kept.

A disagreement makes a re-label likely where it has some weight: one feature of construction against a young register
only differs from what is known, until a second one differs or another maker's construction fits. It is never a finding
of forgery: makers bought from each other and printed their own mark, service packs were re-marked, and a register is
never complete.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from stockroom.marks.pure.datecodes import PUBLISHED_FORMS, DateMeaning, Form
from stockroom.pure.written import day

NOT_A_VERDICT = (
    "Makers bought from each other and marked the goods as their own, so this says where to look, not that anything "
    "is false."
)

_A_YEAR = 366


@dataclass(frozen=True)
class TypeFacts:
    """The years a type is known from. None where it is not known.

    `doubt_years` says how far the first may be out: a date before it by no more than that is remarked upon and
    nothing else. `tradition` is "western" or "eastern", as in the catalogue.
    """

    designation: str
    first_registered: int | None = None
    last_made: int | None = None
    doubt_years: int = 0
    tradition: str = "western"

    @property
    def first_in_words(self) -> str:
        return f"about {self.first_registered}, from memory" if self.doubt_years else f"{self.first_registered}"

    def is_before(self, year: int) -> bool:
        """Whether the year is before the type, even when its first year is out by as much as it may be."""
        return self.first_registered is not None and year < self.first_registered - self.doubt_years

    def may_be_before(self, year: int) -> bool:
        return self.first_registered is not None and year < self.first_registered and not self.is_before(year)


@dataclass(frozen=True)
class MakerFacts:
    """A maker in the shop's register.

    `construction` holds, for the type at hand, the values seen in this maker's own valves, by feature: such
    as {"getter": {"square", "halo"}, "plates": {"ribbed"}}. A feature that is not listed is not known.
    """

    name: str
    source_codes: frozenset[str] = frozenset()
    first_year: int | None = None
    last_year: int | None = None
    construction: Mapping[str, frozenset[str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Marks:
    """What one valve shows. `readings` holds the chosen reading alone, or all of them while none is
    chosen."""

    printed_maker: str | None = None
    readings: Sequence[DateMeaning] = ()
    construction: Mapping[str, str] = field(default_factory=dict)
    pack_readings: Sequence[DateMeaning] = ()


# Ranking


@dataclass(frozen=True)
class Ranked:
    """A reading with its points. It is not `possible` when the valve was here before it."""

    reading: DateMeaning
    points: int
    possible: bool
    reasons: tuple[str, ...]

    @property
    def why(self) -> str:
        """The points, the rule that reads it so, and what speaks for and against."""
        return f"{self.points} points. {'; '.join([self.reading.rule, *self.reasons])}"


def rank(
    readings: Sequence[DateMeaning],
    type_facts: TypeFacts,
    makers: Sequence[MakerFacts],
    line: Sequence[Sequence[DateMeaning]],
    received: date,
) -> list[Ranked]:
    """All the readings, likeliest first; impossible ones last, never dropped.

    Args:
        makers: the shop's register.
        line: for each other valve of the line, its chosen reading alone or all that it may have.
        received: the day the lot came in.

    Of equal points, what lies nearest to the line's valves whose reading is settled comes first; then what is told
    within three weeks before what is told to the month, the month before the year; then the earlier, and the reading's
    key, so the order never wavers.
    """
    ranked = [_judge(reading, type_facts, makers, line, received) for reading in readings]
    settled = [other[0] for other in line if len(other) == 1 and other[0].earliest]
    return sorted(
        ranked,
        key=lambda one: (
            not one.possible,
            -one.points,
            _years_away(one.reading, settled),
            _roughness(one.reading),
            one.reading.earliest or date.max,
            one.reading.key,
        ),
    )


def _judge(
    reading: DateMeaning,
    type_facts: TypeFacts,
    makers: Sequence[MakerFacts],
    line: Sequence[Sequence[DateMeaning]],
    received: date,
) -> Ranked:
    weighed = [
        *_by_form(reading),
        *_by_tradition(reading, type_facts),
        *_by_type(reading, type_facts),
        *_by_register(reading, makers),
        *_by_line(reading, line),
    ]
    possible = reading.earliest is None or reading.earliest <= received
    if not possible:
        weighed.append((0, f"later than the day it was received, {day(received)}"))
    reasons = tuple(f"{reason} ({points:+d})" if points else reason for points, reason in weighed)
    return Ranked(reading, sum(points for points, _ in weighed), possible, reasons)


Weighed = list[tuple[int, str]]


def _by_form(reading: DateMeaning) -> Weighed:
    weighed: Weighed = [(1, "a published form")] if reading.form in PUBLISHED_FORMS else []
    if reading.earliest is None:
        weighed.append((-2, "gives no date"))
    if reading.among_words:
        plain = reading.form is Form.YEAR
        weighed.append((2, "a year plainly written") if plain else (-2, "four figures among words are a year first"))
    return weighed


def _by_tradition(reading: DateMeaning, facts: TypeFacts) -> Weighed:
    """Eastern makers stamp month and year, mostly in that order (common practice, from memory)."""
    usual = {Form.MONTH_YEAR: 2, Form.YEAR_MONTH: 1}
    if facts.tradition != "eastern" or reading.form not in usual:
        return []
    return [(usual[reading.form], "eastern makers stamp month and year")]


def _by_type(reading: DateMeaning, facts: TypeFacts) -> Weighed:
    if reading.earliest is None or reading.latest is None:
        return []
    if facts.is_before(reading.latest.year):
        return [(-4, f"before {facts.designation} was first registered or sold, {facts.first_in_words}")]
    if facts.may_be_before(reading.latest.year):
        return [(0, f"about when {facts.designation} was first registered or sold, {facts.first_in_words}")]
    if facts.last_made is not None and reading.earliest.year > facts.last_made:
        return [(-2, f"after {facts.designation} is known to have been made, {facts.last_made}")]
    if facts.first_registered is None and facts.last_made is None:
        return []
    return [(2, f"within the known years of {facts.designation}")]


def _by_register(reading: DateMeaning, makers: Sequence[MakerFacts]) -> Weighed:
    if reading.source_code is None:
        return []
    owners = _owners(reading.source_code, makers)
    if not owners:
        return []
    weighed: Weighed = [(2, f"source code {reading.source_code} is in the register: {_names(owners)}")]
    if reading.earliest is not None and not any(_active(owner, reading) for owner in owners):
        weighed.append((-2, f"outside the years the register gives for {_names(owners)}"))
    return weighed


def _by_line(reading: DateMeaning, line: Sequence[Sequence[DateMeaning]]) -> Weighed:
    others = [other for other in line if other]
    if not others:
        return []
    like_it = [sum(1 for one in other if _alike(reading, one)) for other in others]
    # A valve that may as well be of eight decades speaks for each of them with an eighth of its voice.
    support = sum(like / len(other) for like, other in zip(like_it, others, strict=True))
    alike = sum(1 for like in like_it if like)
    return [
        (round(3 * support / len(others)), f"{alike} of {len(others)} other valves of the line can be read like it")
    ]


def _alike(one: DateMeaning, other: DateMeaning) -> bool:
    """The same source where both name one, and no more than a year apart where both are dated."""
    if one.source_code and other.source_code and one.source_code != other.source_code:
        return False
    if one.earliest and one.latest and other.earliest and other.latest:
        return max((one.earliest - other.latest).days, (other.earliest - one.latest).days) <= _A_YEAR
    return bool(one.source_code and other.source_code)


def _roughness(reading: DateMeaning) -> int:
    """0 for a date told within three weeks, 1 within a month, 2 more roughly, 3 for none."""
    if reading.earliest is None or reading.latest is None:
        return 3
    days = (reading.latest - reading.earliest).days
    return 0 if days < 21 else 1 if days < 31 else 2


def _years_away(reading: DateMeaning, settled: Sequence[DateMeaning]) -> int:
    """From the nearest of the line's settled dates, in whole years; 0 where there is none to compare."""
    if reading.earliest is None:
        return 0
    years = [abs(reading.earliest.year - one.earliest.year) for one in settled if one.earliest]
    return min(years, default=0)


# Warnings


class Subject(StrEnum):
    PRINT_AND_CODE = "print and code"
    CONSTRUCTION_AND_MAKER = "construction and maker"
    ONE_FEATURE = "a feature of construction"
    DATE_AND_TYPE = "date and type"
    DATE_AND_MAKER = "date and maker"
    DATE_AND_PACK = "date and pack"


_OF_A_RELABEL = frozenset({Subject.PRINT_AND_CODE, Subject.CONSTRUCTION_AND_MAKER, Subject.DATE_AND_TYPE})
# Features that one maker's own valves differ in from year to year: that another maker has them too says little.
_SOFT = frozenset({"print colour", "top flash", "glass", "plate finish"})


@dataclass(frozen=True)
class MarksDisagreement:
    subject: Subject
    reason: str


@dataclass(frozen=True)
class Assessment:
    """`disagreements` are the warnings; `unchecked` says what could not be compared, and why."""

    disagreements: tuple[MarksDisagreement, ...]
    unchecked: tuple[str, ...]

    @property
    def likely_relabel(self) -> bool:
        return any(one.subject in _OF_A_RELABEL for one in self.disagreements)

    def sentence(self) -> str:
        """The words for the page. Never a verdict."""
        if not self.disagreements:
            return "The marks that could be compared agree."
        if self.likely_relabel:
            opening = "A likely re-label"
        elif all(one.subject is Subject.ONE_FEATURE for one in self.disagreements):
            opening = "It differs from what is known"
        else:
            opening = "The marks do not all agree"
        reasons = "; ".join(one.reason for one in self.disagreements)
        return f"{opening}: {reasons}. {NOT_A_VERDICT}"


# A check yields disagreements, and plain words for what it could not compare.
Findings = Iterator[MarksDisagreement | str]


def assess(marks: Marks, type_facts: TypeFacts, makers: Sequence[MakerFacts]) -> Assessment:
    """Compare what a valve shows with what the register and the catalogue know.

    A date or a source counts against the valve only when every reading it may have disagrees, so a code with
    several meanings is given the benefit of each.
    """
    findings: list[MarksDisagreement | str] = []
    if marks.printed_maker:
        wanted = marks.printed_maker.strip().casefold()
        printed = next((maker for maker in makers if maker.name.casefold() == wanted), None)
        if printed is None:
            findings.append(f"{marks.printed_maker} is not in the register")
        else:
            findings += _print_and_code(marks, printed, makers)
            findings += _construction_and_maker(marks, printed, makers)
            findings += _date_and_maker(marks, printed)
    findings += _date_and_type(marks, type_facts)
    findings += _date_and_pack(marks)
    return Assessment(
        tuple(one for one in findings if isinstance(one, MarksDisagreement)),
        tuple(one for one in findings if isinstance(one, str)),
    )


def _print_and_code(marks: Marks, printed: MakerFacts, makers: Sequence[MakerFacts]) -> Findings:
    codes = list(dict.fromkeys(reading.source_code for reading in marks.readings))
    sources = [code for code in codes if code is not None]
    if not sources or None in codes:
        return
    owners = [owner for source in sources for owner in _owners(source, makers)]
    said = f"source code {' or '.join(sources)}"
    if not owners:
        yield f"{said} is not in the register"
    elif printed not in owners:
        reason = f"the print says {printed.name}, but {said} is that of {_names(owners)}"
        yield MarksDisagreement(Subject.PRINT_AND_CODE, reason)


def _construction_and_maker(marks: Marks, printed: MakerFacts, makers: Sequence[MakerFacts]) -> Findings:
    if not marks.construction:
        return
    compared = {feature: value for feature, value in marks.construction.items() if feature in printed.construction}
    if not compared:
        yield f"the register holds no construction of {printed.name} for this type"
    strange = [
        f"the {feature} is {value}, where {printed.name} is known with "
        f"{' or '.join(sorted(printed.construction[feature]))}"
        for feature, value in compared.items()
        if value not in printed.construction[feature]
    ]
    if strange:
        fitting = [maker for maker in makers if maker is not printed and _fits(marks.construction, maker)]
        weighty = len(strange) > 1 or bool(fitting)
        if fitting:
            strange.append(f"the construction agrees with {_names(fitting)}")
        subject = Subject.CONSTRUCTION_AND_MAKER if weighty else Subject.ONE_FEATURE
        yield MarksDisagreement(subject, "; ".join(strange))


def _date_and_maker(marks: Marks, printed: MakerFacts) -> Findings:
    made = _dated(marks.readings)
    if made and not any(_active(printed, reading) for reading in made):
        reason = f"{_periods(made)} is outside the years the register gives for {printed.name}"
        yield MarksDisagreement(Subject.DATE_AND_MAKER, reason)


def _date_and_type(marks: Marks, facts: TypeFacts) -> Findings:
    made = _dated(marks.readings)
    if not made:
        return
    last, latest = facts.last_made, _last_day(made).year
    if facts.first_registered is None:
        yield f"the first year of {facts.designation} is not known"
    elif facts.is_before(latest):
        reason = f"{_periods(made)} is before {facts.designation} was first registered or sold, {facts.first_in_words}"
        yield MarksDisagreement(Subject.DATE_AND_TYPE, reason)
    elif facts.may_be_before(latest):
        yield f"{_periods(made)} is too near the first year of {facts.designation}, {facts.first_in_words}"
    if last is not None and _first_day(made).year > last:
        reason = f"{_periods(made)} is after {facts.designation} is known to have been made, {last}"
        yield MarksDisagreement(Subject.DATE_AND_TYPE, reason)


def _date_and_pack(marks: Marks) -> Findings:
    made, packed = _dated(marks.readings), _dated(marks.pack_readings)
    if made and packed and _first_day(made) > _last_day(packed):
        reason = f"it was made in {_periods(made)}, after the pack was dated, {_periods(packed)}"
        yield MarksDisagreement(Subject.DATE_AND_PACK, reason)


def _owners(source_code: str, makers: Sequence[MakerFacts]) -> list[MakerFacts]:
    return [maker for maker in makers if source_code in maker.source_codes]


def _active(maker: MakerFacts, reading: DateMeaning) -> bool:
    if reading.earliest is None or reading.latest is None:
        return True
    after_start = maker.first_year is None or reading.latest.year >= maker.first_year
    before_end = maker.last_year is None or reading.earliest.year <= maker.last_year
    return after_start and before_end


def _fits(construction: Mapping[str, str], maker: MakerFacts) -> bool:
    """Whether the maker is known with every feature that can be compared, and one of weight can."""
    compared = [feature for feature in construction if feature in maker.construction]
    return not _SOFT.issuperset(compared) and all(
        construction[feature] in maker.construction[feature] for feature in compared
    )


def _dated(readings: Sequence[DateMeaning]) -> list[DateMeaning]:
    return [reading for reading in readings if reading.earliest is not None and reading.latest is not None]


def _first_day(dated: Sequence[DateMeaning]) -> date:
    return min(reading.earliest for reading in dated if reading.earliest)


def _last_day(dated: Sequence[DateMeaning]) -> date:
    return max(reading.latest for reading in dated if reading.latest)


def _periods(readings: Sequence[DateMeaning]) -> str:
    return " or ".join(dict.fromkeys(reading.detail for reading in readings))


def _names(makers: Sequence[MakerFacts]) -> str:
    return " and ".join(dict.fromkeys(maker.name for maker in makers))
