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
from stockroom.marks.pure.stamps import MarkKind, letters_in, marks_in
from stockroom.pure.written import day

NOT_A_VERDICT = (
    "Makers bought from each other and marked the goods as their own, so this says where to look, not that anything "
    "is false."
)

_A_YEAR = 366
# Nobody stamps the years of a getter's use: what is known of them is known to a year or so (a choice, no source).
CONSTRUCTION_DOUBT_YEARS = 1
# The factory code began about 1955, and told the week from about 1960 (the source of `datecodes`).
_FACTORY_CODES_FROM, _WEEKS_FROM, _MONTHS_UNTIL = 1955, 1960, 1961


@dataclass(frozen=True)
class TypeFacts:
    """The years a type is known from. None where it is not known.

    `doubt_years` says how far the first may be out: a date before it by no more than that is remarked upon and
    nothing else. `tradition` is "western" or "eastern", as in the catalogue; `type_codes` are those of factory codes
    that mean this type.
    """

    designation: str
    first_registered: int | None = None
    last_made: int | None = None
    doubt_years: int = 0
    tradition: str = "western"
    type_codes: frozenset[str] = frozenset()

    @property
    def first_in_words(self) -> str:
        return f"about {self.first_registered}, from memory" if self.doubt_years else f"{self.first_registered}"

    def is_before(self, year: int) -> bool:
        """Whether the year is before the type, even when its first year is out by as much as it may be."""
        return self.first_registered is not None and year < self.first_registered - self.doubt_years

    def may_be_before(self, year: int) -> bool:
        return self.first_registered is not None and year < self.first_registered and not self.is_before(year)


@dataclass(frozen=True)
class YearsKnown:
    """From a year and until a year, both included; None where that end is open."""

    first: int | None = None
    last: int | None = None

    def __str__(self) -> str:
        """
        >>> str(YearsKnown(1953, 1958)), str(YearsKnown(last=1958)), str(YearsKnown(1953))
        ('1953 to 1958', 'until 1958', 'from 1953')
        """
        if self.first and self.last:
            return f"{self.first} to {self.last}" if self.first != self.last else f"{self.first}"
        return f"from {self.first}" if self.first else f"until {self.last}"

    def both(self, other: "YearsKnown") -> "YearsKnown":
        """The years in both; the first may come after the last, and then there are none."""
        firsts = [one for one in (self.first, other.first) if one is not None]
        lasts = [one for one in (self.last, other.last) if one is not None]
        return YearsKnown(max(firsts, default=None), min(lasts, default=None))

    @property
    def is_none(self) -> bool:
        return self.first is not None and self.last is not None and self.first > self.last

    def hold(self, reading: DateMeaning, doubt: int = CONSTRUCTION_DOUBT_YEARS) -> bool:
        """Whether some of what the reading says lies in these years, give or take the doubt."""
        if reading.earliest is None or reading.latest is None:
            return True
        begun = self.first is None or reading.latest.year >= self.first - doubt
        return begun and (self.last is None or reading.earliest.year <= self.last + doubt)


@dataclass(frozen=True)
class MakerFacts:
    """A maker in the shop's register.

    `construction` holds, for the type at hand, the values seen in this maker's own valves, by feature: such
    as {"getter": {"square", "halo"}, "plates": {"ribbed"}}. A feature that is not listed is not known. `built` has the
    years of those words whose years are known, by feature and word. `source_codes` are registered numbers, `letters`
    those of contract marks, `plants` the signs of factory codes.
    """

    name: str
    source_codes: frozenset[str] = frozenset()
    first_year: int | None = None
    last_year: int | None = None
    construction: Mapping[str, frozenset[str]] = field(default_factory=dict)
    letters: frozenset[str] = frozenset()
    plants: frozenset[str] = frozenset()
    built: Mapping[tuple[str, str], YearsKnown] = field(default_factory=dict)


@dataclass(frozen=True)
class TypeNamed:
    """A type that the marks tell, beside the one the valve is taken for.

    `kind` is TYPE_CODE or TYPE_NUMBER; `related` where a dealer takes the two for versions of one valve.
    """

    kind: MarkKind
    text: str
    designation: str
    agrees: bool
    related: bool = False


@dataclass(frozen=True)
class Marks:
    """What one valve shows. `readings` holds the chosen reading alone, or all of them while none is
    chosen; `code` is the stamp as typed, `types_named` what types it tells."""

    printed_maker: str | None = None
    readings: Sequence[DateMeaning] = ()
    construction: Mapping[str, str] = field(default_factory=dict)
    pack_readings: Sequence[DateMeaning] = ()
    code: str = ""
    types_named: Sequence[TypeNamed] = ()


# Ranking


@dataclass(frozen=True)
class Ranked:
    """A reading with its points. It is not `possible` when the valve was here before it; it is `supported` where
    something besides the code itself speaks for it."""

    reading: DateMeaning
    points: int
    possible: bool
    reasons: tuple[str, ...]
    supported: bool = False

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
    built: YearsKnown | None = None,
) -> list[Ranked]:
    """All the readings, likeliest first; impossible ones last, never dropped.

    Args:
        makers: the shop's register.
        line: for each other valve of the line, its chosen reading alone or all that it may have.
        received: the day the lot came in.
        built: the years that the valve's construction tells.

    Of equal points, what lies nearest to the line's valves whose reading is settled comes first; then what is told
    within three weeks before what is told to the month, the month before the year; then the earlier, and the reading's
    key, so the order never wavers.
    """
    ranked = [_judge(reading, type_facts, makers, line, received, built) for reading in readings]
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


# So many letters and figures are of these forms that one of them alone says nothing.
_GUESSES = frozenset(
    {
        Form.MONTH_LETTER,
        Form.HALF_MONTH_LETTER,
        Form.WEEK_LETTER,
        Form.PLANT_MONTH,
        Form.FACTORY_CODE,
        Form.LETTER_PAIR,
    }
)


def leader(ranked: Sequence[Ranked]) -> Ranked | None:
    """The dated reading that is likelier than every other; none where the code could as well be any number.

    A form that any few letters have, and figures without a break, need something besides that speaks for them: the
    register, the line's other valves, what makers of the type's tradition stamp, a type code, the construction.
    """
    possible = [one for one in ranked if one.possible and one.reading.earliest]
    if not possible or (len(possible) > 1 and possible[0].points == possible[1].points):
        return None
    first = possible[0]
    guessed = first.reading.form in _GUESSES or first.reading.any_number
    return first if first.supported or not guessed else None


def _judge(
    reading: DateMeaning,
    type_facts: TypeFacts,
    makers: Sequence[MakerFacts],
    line: Sequence[Sequence[DateMeaning]],
    received: date,
    built: YearsKnown | None,
) -> Ranked:
    support = [
        *_by_tradition(reading, type_facts),
        *_by_register(reading, makers),
        *_by_type_code(reading, type_facts),
        *_by_construction(reading, built),
        *_by_line(reading, line),
    ]
    weighed = [
        *_by_form(reading),
        *_by_type(reading, type_facts),
        *support,
    ]
    possible = reading.earliest is None or reading.earliest <= received
    if not possible:
        weighed.append((0, f"later than the day it was received, {day(received)}"))
    reasons = tuple(f"{reason} ({points:+d})" if points else reason for points, reason in weighed)
    supported = any(points > 0 for points, _ in support)
    return Ranked(reading, sum(points for points, _ in weighed), possible, reasons, supported)


Weighed = list[tuple[int, str]]


def _by_form(reading: DateMeaning) -> Weighed:
    weighed: Weighed = [(1, "a published form")] if reading.form in PUBLISHED_FORMS else []
    if reading.earliest is None:
        weighed.append((-2, "gives no date"))
    if reading.among_words:
        plain = reading.form is Form.YEAR
        weighed.append((2, "a year plainly written") if plain else (-2, "four figures among words are a year first"))
    if reading.form is Form.LETTER_PAIR and reading.earliest is not None:
        weighed.append((-2, "years were lettered otherwise by many"))
    if reading.form in (Form.FACTORY_CODE, Form.PLANT_MONTH) and reading.earliest is not None:
        weighed += _by_factory_code(reading.earliest.year, reading.detail.startswith("week"))
    return weighed


def _by_factory_code(year: int, has_week: bool) -> Weighed:
    if year < _FACTORY_CODES_FROM:
        return [(-1, f"these codes began about {_FACTORY_CODES_FROM}")]
    if has_week and year < _WEEKS_FROM:
        return [(-1, f"the week stands in them from about {_WEEKS_FROM}")]
    if not has_week and year > _MONTHS_UNTIL:
        return [(-1, f"the week is mostly told after {_WEEKS_FROM}")]
    return []


def _by_type_code(reading: DateMeaning, facts: TypeFacts) -> Weighed:
    if reading.type_code[:-1] not in facts.type_codes:
        return []
    return [(2, f"{reading.type_code[:-1]} is a type code of {facts.designation}")]


def _by_construction(reading: DateMeaning, built: YearsKnown | None) -> Weighed:
    if built is None or reading.earliest is None:
        return []
    return [(2, f"its construction is of {built}") if built.hold(reading) else (-2, f"its construction is of {built}")]


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
    TYPE_CODE = "type code and print"
    TYPE_NUMBER = "type number among the marks"
    DATE_AND_CONSTRUCTION = "date and construction"
    CONSTRUCTION_AND_MAKER = "construction and maker"
    ONE_FEATURE = "a feature of construction"
    DATE_AND_TYPE = "date and type"
    DATE_AND_MAKER = "date and maker"
    DATE_AND_PACK = "date and pack"


_OF_A_RELABEL = frozenset(
    {Subject.PRINT_AND_CODE, Subject.TYPE_CODE, Subject.CONSTRUCTION_AND_MAKER, Subject.DATE_AND_TYPE}
)
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
    findings: list[MarksDisagreement | str] = [*_marks_and_type(marks, type_facts)]
    if marks.printed_maker:
        wanted = marks.printed_maker.strip().casefold()
        printed = next((maker for maker in makers if maker.name.casefold() == wanted), None)
        if printed is None:
            findings.append(f"{marks.printed_maker} is not in the register")
        else:
            findings += _print_and_code(marks, printed, makers)
            findings += _print_and_letters(marks, printed, makers)
            findings += _print_and_plant(marks, printed, makers)
            findings += _date_and_construction(marks, printed)
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


def letters_of(code: str, makers: Sequence[MakerFacts]) -> dict[str, list[MakerFacts]]:
    """Letters in the stamp that tell a maker, with those whose they are: what has the shape of contract letters, and
    any word that the register holds. "/D" in the register is any K code that ends so; the whole code goes before it."""
    shaped = [one.text for one in marks_in(code) if one.kind is MarkKind.LETTERS]
    found = {text: _whose_letters(text, makers) for text in dict.fromkeys([*shaped, *letters_in(code)])}
    return {text: owners for text, owners in found.items() if owners or text in shaped}


def _whose_letters(text: str, makers: Sequence[MakerFacts]) -> list[MakerFacts]:
    whole = [maker for maker in makers if text in maker.letters]
    factory = text[text.index("/") :] if "/" in text and text.startswith("K") else None
    return whole or [maker for maker in makers if factory in maker.letters]


def _print_and_letters(marks: Marks, printed: MakerFacts, makers: Sequence[MakerFacts]) -> Findings:
    for text, owners in letters_of(marks.code, makers).items():
        if not owners:
            yield f"the letters {text} are not in the register"
        elif printed not in owners:
            reason = f"the print says {printed.name}, but the letters {text} are those of {_names(owners)}"
            yield MarksDisagreement(Subject.PRINT_AND_CODE, reason)


def _print_and_plant(marks: Marks, printed: MakerFacts, makers: Sequence[MakerFacts]) -> Findings:
    """A sign speaks only where nothing but a factory code can have been meant."""
    sign = next((one.text for one in marks_in(marks.code) if one.kind is MarkKind.PLANT), "")
    forms = {reading.form for reading in marks.readings}
    owners = [maker for maker in makers if sign and sign in maker.plants]
    if owners and printed not in owners and forms and forms <= {Form.FACTORY_CODE, Form.PLANT_MONTH}:
        reason = f"the print says {printed.name}, but the plant sign {sign} is that of {_names(owners)}"
        yield MarksDisagreement(Subject.PRINT_AND_CODE, reason)


def _marks_and_type(marks: Marks, facts: TypeFacts) -> Findings:
    """A type code that is another type's is the strongest sign of a re-label: whoever prints anew cannot etch."""
    for named in marks.types_named:
        if named.agrees:
            continue
        if named.kind is MarkKind.TYPE_CODE and named.related:
            yield f"{named.text} is the type code of {named.designation}, near to {facts.designation}"
        elif named.kind is MarkKind.TYPE_CODE:
            reason = f"it is taken for {facts.designation}, but {named.text} is the type code of {named.designation}"
            yield MarksDisagreement(Subject.TYPE_CODE, reason)
        else:
            near = ", which is near to it" if named.related else ""
            said = named.text if named.text == named.designation else f"{named.text}, {named.designation}"
            reason = f"it is taken for {facts.designation}, but the marks say {said}{near}"
            yield MarksDisagreement(Subject.TYPE_NUMBER, reason)


@dataclass(frozen=True)
class Built:
    """What the construction of a valve tells of its years, and by which features."""

    years: YearsKnown
    by: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.years}, by its construction ({'; '.join(self.by)})"


def built_between(construction: Mapping[str, str], maker: MakerFacts) -> Built | None:
    """The years in which the maker built so; None where nothing is known of them, or where they exclude each other."""
    known = {one: maker.built[one] for one in construction.items() if one in maker.built}
    years = YearsKnown()
    for one in known.values():
        years = years.both(one)
    if not known or years.is_none:
        return None
    return Built(years, tuple(f"{feature} {word} {when}" for (feature, word), when in known.items()))


def _date_and_construction(marks: Marks, printed: MakerFacts) -> Findings:
    made = _dated(marks.readings)
    for feature, word in marks.construction.items():
        years = printed.built.get((feature, word))
        if years and made and not any(years.hold(reading) for reading in made):
            reason = f"{_periods(made)} is outside the years in which {printed.name} used the {feature} {word}, {years}"
            yield MarksDisagreement(Subject.DATE_AND_CONSTRUCTION, reason)


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
