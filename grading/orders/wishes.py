"""What an order line wishes of each valve, beside its type, grade and match: asked of the records, never supposed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date

from django.db.models import Q, QuerySet

from catalog.reference.scripts import normal
from grading.models import Grade
from grading.orders.pure.wishes import WishAnswer, WishFinding, balanced, is_the_one, made_within, overall
from grading.sets import making
from grading.sets.plans import READ_FOR_A_PAGE
from grading.verdicts.grade_choice import good_or_better
from grading.verdicts.values import Value
from stockroom.marks.pure.identification import Subject
from stockroom.models import DateReading, MarkWarning, OrderLine, SeenFeature, Valve
from stockroom.pure.written import plural
from stockroom.site.chunks import chunked

# Where marks do not agree in this, they do not prove the maker, or the date.
DOUBTS_MAKER = (Subject.PRINT_AND_CODE, Subject.CONSTRUCTION_AND_MAKER, Subject.DATE_AND_MAKER)
DOUBTS_DATE = (Subject.PRINT_AND_CODE, Subject.DATE_AND_TYPE, Subject.DATE_AND_MAKER)

Findings = dict[int, list[WishFinding]]  # by valve, one for each wish


def findings(line: OrderLine, grades: Sequence[Grade]) -> Findings:
    """Each wish of the line, judged of each graded valve; a handful of queries, whatever their number."""
    found: Findings = defaultdict(list)
    valves = [grade.valve for grade in grades]
    keys = [valve.pk for valve in valves]
    if line.as_marked:
        for valve in valves:
            alike = normal(valve.called) == normal(line.as_marked)
            found[valve.pk].append(WishFinding(WishAnswer.YES if alike else WishAnswer.NO, f"marked {valve.called}"))
    if line.maker_id:
        doubts = _warned(keys, DOUBTS_MAKER)
        for valve in valves:
            one = is_the_one(str(line.maker), str(valve.maker or ""), "maker")
            found[valve.pk].append(_unless(doubts.get(valve.pk, ""), one))
    if line.made_from or line.made_to:
        spans, doubts = _dates(keys), _warned(keys, DOUBTS_DATE)
        for key in keys:
            found[key].append(
                _unless(doubts.get(key, ""), made_within(spans.get(key, ()), line.made_from, line.made_to))
            )
    if line.balanced_percent:
        sections = len(line.type.test_sections)
        for grade in grades:
            found[grade.valve_id].append(_balance(grade, sections, line.balanced_percent))
    if line.feature:
        words = _seen(keys, line.feature)
        for key in keys:
            found[key].append(is_the_one(line.feature_word, words.get(key, ""), line.feature))
    return found


def _unless(doubt: str, finding: WishFinding) -> WishFinding:
    """A yes that the marks contradict is none."""
    return WishFinding(WishAnswer.UNKNOWN, doubt) if doubt and finding.answer is WishAnswer.YES else finding


def _warned(keys: Collection[int], subjects: Iterable[Subject]) -> dict[int, str]:
    rows = (
        row
        for some in chunked(keys)
        for row in MarkWarning.objects.open()
        .filter(valve__in=some, subject__in=list(subjects))
        .values_list("valve", "subject")
    )
    return {valve: f"its marks do not agree ({subject})" for valve, subject in rows}


def _dates(keys: Collection[int]) -> dict[int, list[tuple[date, date]]]:
    """What the code of each valve can mean; a meaning without days, or no code, leaves it out."""
    spans: dict[int, list[tuple[date, date]]] = {}
    for some in chunked(keys):
        for row in DateReading.objects.filter(current=True, valve__in=some):
            days = [(one.earliest, one.latest) for one in row.readings]
            known = [(begun, ended) for begun, ended in days if begun and ended]
            if known and len(known) == len(days):
                spans[row.valve_id] = known
    return spans


def made_in_words(keys: Collection[int]) -> dict[int, str]:
    """What the code of each valve says of when it was made; one without a code is left out."""
    rows = (row for some in chunked(keys) for row in DateReading.objects.filter(current=True, valve__in=some))
    return {row.valve_id: row.words or "date not decided" for row in rows}


def _seen(keys: Collection[int], feature: str) -> dict[int, str]:
    return {
        valve: word
        for some in chunked(keys)
        for valve, word in SeenFeature.objects.filter(valve__in=some, feature=feature).values_list("valve", "word")
    }


def _balance(grade: Grade, sections: int, within_percent: float) -> WishFinding:
    """Of the values that the grade keeps, in each quantity that every section has."""
    by_quantity: dict[str, list[Value]] = defaultdict(list)
    for row in grade.measured:
        value = Value.read(row)
        by_quantity[value.quantity].append(value)
    whole = [values for values in by_quantity.values() if len(values) == sections]
    ratios = [max(v.value for v in values) / min(v.value for v in values) - 1 for values in whole if _usable(values)]
    if len(ratios) < len(by_quantity):
        ratios = []
    contradicted = any(value.contradiction for values in whole for value in values)
    return balanced(ratios, sections, within_percent, "its repeats contradict each other" if contradicted else "")


def _usable(values: Sequence[Value]) -> bool:
    return all(value.value > 0 for value in values)


def fitting(line: OrderLine, without: Collection[int]) -> set[int]:
    """Free graded valves, by key, of which it is known that they are as wished."""
    grades = making.available(line.type, line.best_grades, READ_FOR_A_PAGE)
    found = findings(line, grades) if line.wishes else {}
    return {grade.valve_id for grade in grades if overall(found.get(grade.valve_id, ())) is WishAnswer.YES} - {*without}


def not_known(line: OrderLine) -> list[str]:
    """Of how many free graded valves nobody can say whether they are as wished, and why."""
    return counted(findings(line, making.available(line.type, line.best_grades, READ_FOR_A_PAGE)))


def known_to_differ(line: OrderLine) -> QuerySet[Valve]:
    """Valves of which the database alone can say that they are not as wished; the rest is judged one by one."""
    differ = Q(pk__in=[])
    if line.maker_id:
        differ |= Q(maker__isnull=False) & ~Q(maker=line.maker_id)
    if line.made_from or line.made_to:
        dated = DateReading.objects.filter(current=True).exclude(form="")
        beyond = dated.filter(Q(latest__lt=_first(line)) | Q(earliest__gt=_last(line)))
        differ |= Q(pk__in=beyond.values("valve"))
    if line.feature:
        others = SeenFeature.objects.filter(feature=line.feature).exclude(word=line.feature_word)
        differ |= Q(pk__in=others.values("valve"))
    return Valve.objects.filter(differ, type=line.type_id)


def known_to_be(line: OrderLine) -> QuerySet[Valve]:
    """Valves of which the database alone does not doubt that they are as wished: to be looked at first."""
    found = Valve.objects.filter(type=line.type_id)
    if line.maker_id:
        found = found.filter(maker=line.maker_id)
    if line.made_from or line.made_to:
        dated = DateReading.objects.filter(current=True, earliest__gte=_first(line), latest__lte=_last(line))
        found = found.filter(pk__in=dated.values("valve"))
    if line.feature:
        alike = SeenFeature.objects.filter(feature=line.feature, word=line.feature_word)
        found = found.filter(pk__in=alike.values("valve"))
    return found


def _first(line: OrderLine) -> date:
    return date(line.made_from or 1, 1, 1)


def _last(line: OrderLine) -> date:
    return date(line.made_to or 9999, 12, 31)


def in_short(found: Iterable[WishFinding], answer: WishAnswer) -> str:
    return "; ".join(finding.words for finding in found if finding.answer is answer)


def counted(found: Mapping[int, Sequence[WishFinding]]) -> list[str]:
    """Of how many valves which wish cannot be judged: "no date was read on 9 of them"."""
    unsure: dict[str, int] = defaultdict(int)
    for each in found.values():
        if overall(each) is WishAnswer.UNKNOWN:
            unsure[in_short(each, WishAnswer.UNKNOWN)] += 1
    return [f"{plural(count, 'valve')}: {words}" for words, count in sorted(unsure.items(), key=lambda row: -row[1])]


def refusals(line: OrderLine, valves: Sequence[Valve]) -> tuple[str, str]:
    """Why these valves are not as the line wishes, and what nobody can say of them; empty where all is well."""
    if not line.wishes:
        return "", ""
    grades = list(Grade.objects.filter(valve__in=valves, current=True).select_related("valve__maker", "valve__type"))
    found = findings(line, grades)
    names = {valve.pk: valve.serial for valve in valves}
    said = {
        answer: [f"{names[key]}: {words}" for key, each in found.items() if (words := in_short(each, answer))]
        for answer in (WishAnswer.NO, WishAnswer.UNKNOWN)
    }
    return "; ".join(said[WishAnswer.NO]), "; ".join(said[WishAnswer.UNKNOWN])


def asked(line: OrderLine, names: Mapping[int, str] | None = None) -> str:
    """The line as a person would say it, its grades by name: "1 × matched pair EL84, Good or better, within 5 %".
    `names` are those of `grade_choices`, where somebody has looked them up for many lines."""
    if line.sealed or line.untested:
        return line.asked
    return line.asked.replace(line.grades_asked, good_or_better(line.best_grades, names), 1)
