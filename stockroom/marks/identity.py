"""Identification and condition: what is seen on a valve is written down, and what does not agree is said.

A changed type is told of by `stockroom.signals.valve_identified`: the grade is withdrawn with it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Count, Q
from django.utils import timezone

from catalog.models import ValveType
from stockroom.marks.pure.construction import CONDITION, FEATURES, check
from stockroom.marks.pure.datecodes import DateMeaning, Form, Window, find_dates, readings
from stockroom.marks.pure.identification import (
    Assessment,
    Built,
    Marks,
    MarksDisagreement,
    Ranked,
    Subject,
    YearsKnown,
    assess,
    built_between,
    rank,
)
from stockroom.marks.pure.identification import leader as likeliest
from stockroom.marks.register import FIRST_YEAR, MarkSaid, Register
from stockroom.models import (
    Cleaning,
    Condition,
    DateReading,
    Entry,
    KnownConstruction,
    Line,
    Maker,
    MarkWarning,
    PackDateReading,
    SeenFeature,
    ShopTypeCode,
    SourceCode,
    Valve,
)
from stockroom.models.identity import CodeReading
from stockroom.pure.refused import Refused
from stockroom.signals import valve_identified
from stockroom.site.changes import differences, told
from stockroom.site.chunks import CHUNK, chunked
from stockroom.site.locks import hold_valves
from stockroom.site.saving import save_named
from stockroom.types import keeping

MOST_OTHERS = 500  # of a line's other valves, the latest that were read


class IdentityError(Refused):
    """Cannot be written down; the message says why."""


class NoSuchReading(IdentityError):
    """The reading chosen is none that the code can have."""


class DealtWithAlready(IdentityError):
    """The warning was dismissed or cleared meanwhile."""


# The register


def set_source_codes(maker: Maker, codes: Collection[str], by: User | None, kind: str = SourceCode.Kind.NUMBER) -> None:
    """These are the maker's codes of that kind, and no others."""
    with transaction.atomic():
        before = set(maker.source_codes.filter(kind=kind).values_list("code", flat=True))
        maker.source_codes.filter(kind=kind).exclude(code__in=codes).delete()
        new = sorted(set(codes) - before)
        SourceCode.objects.bulk_create(SourceCode(maker=maker, kind=kind, code=code) for code in new)
        if before != set(codes):
            changes = " → ".join(", ".join(sorted(some)) or "none" for some in (before, set(codes)))
            what = {"number": "source codes", "letters": "contract letters", "plant": "plant signs"}[kind]
            Entry.write(by, "maker-changed", f"Maker {maker}: {what} {changes}.")


def learn(
    maker: Maker,
    type_: ValveType | None,
    feature: str,
    word: str,
    note: str,
    by: User | None,
    years: YearsKnown | None = None,
) -> KnownConstruction:
    """The maker is known to have built the type, or every type, so; said again with other years, in those."""
    check(FEATURES, {feature: word})
    first, last = (years.first, years.last) if years else (None, None)
    if years is not None and years.is_none:
        raise IdentityError(f"{last} is before {first}, the year it began.")
    with transaction.atomic():
        row, new = KnownConstruction.objects.select_for_update(no_key=True).get_or_create(
            maker=maker,
            type=type_,
            feature=feature,
            word=word,
            defaults={"note": note, "by": by, "first_year": first, "last_year": last},
        )
        was = str(row)
        other_years = years is not None and (row.first_year, row.last_year) != (first, last)
        if other_years:
            row.first_year, row.last_year, row.note = first, last, note or row.note
            row.save(update_fields=["first_year", "last_year", "note"])
        if new or other_years:
            no_longer = f", no longer {was}" if other_years else ""
            Entry.write(by, "maker-changed", f"Maker {maker} is known with {row}{no_longer}.")
            register_changed(maker, by)
    return row


def forget(known: KnownConstruction, by: User | None) -> None:
    with transaction.atomic():
        Entry.write(by, "maker-changed", f"Maker {known.maker} is no longer known with {known}.")
        known.delete()
        register_changed(known.maker, by)


TYPE_CODE_FIELDS = ("code", "type", "plant", "first_year", "last_year", "source")


def keep_type_code(one: ShopTypeCode, by: User | None) -> int:
    """Enter or correct a type code of the shop's own. How many valves in house were looked at again."""
    with transaction.atomic():
        before = ShopTypeCode.objects.select_related("type").get(pk=one.pk) if one.pk else None
        changed = differences(before, one, TYPE_CODE_FIELDS) if before else []
        if before and not changed:
            return 0
        one.by, one.at = by, timezone.now()
        one.save()
        added = f"Type code {one} added, {one.source}. {one.reason}"
        said = told(f"Type code {before}: ", changed, f". {one.reason}") if before else added
        Entry.write(by, "type-code-changed", said)
        return _type_codes_changed({one.code, *([before.code] if before else [])}, by)


def forget_type_code(one: ShopTypeCode, by: User | None) -> int:
    """How many valves in house were looked at again."""
    with transaction.atomic():
        Entry.write(by, "type-code-changed", f"Type code {one} is no longer held. It stood there on: {one.source}.")
        one.delete()
        return _type_codes_changed({one.code}, by)


def _type_codes_changed(codes: Collection[str], by: User | None) -> int:
    """Look again at the valves in house whose stamp has one of the codes in it."""
    with_code = Q(pk=None)
    for code in codes:
        with_code |= Q(date_code__icontains=code)
    keys = set(Valve.objects.in_house().filter(with_code).values_list("pk", flat=True))
    _look_again(keys, by)
    return len(keys)


def register_changed(maker: Maker, by: User | None, codes: Collection[str] = ()) -> int:
    """Look again at the valves in house on which the register's word of this maker bears; how many they are.

    Those it marked, those whose code is read as its number or holds its letters (`codes` are those it has lost), those
    read as a factory code, those whose code is not decided, and those whose construction is in doubt.
    """
    numbers = {*codes, *maker.source_codes.values_list("code", flat=True)}
    current = Q(date_readings__current=True)
    factory = [Form.FACTORY_CODE.name, Form.PLANT_MONTH.name]
    letters = Q(pk=None)
    for code in numbers:
        start, stroke, end = code.partition("/")
        if stroke:  # it may be typed with spaces around it
            letters |= Q(date_code__contains="/") & Q(date_code__icontains=start) & Q(date_code__icontains=end)
        elif len(code) > 1 and not code.isdigit():
            letters |= Q(date_code__icontains=code)
    keys = set(
        Valve.objects.in_house()
        .filter(
            Q(maker=maker)
            | current & (Q(date_readings__source_code__in=numbers) | Q(date_readings__form__in=["", *factory]))
            | letters
            | Q(warnings__cleared_at=None, warnings__subject__in=[Subject.CONSTRUCTION_AND_MAKER, Subject.ONE_FEATURE])
        )
        .values_list("pk", flat=True)
    )
    _look_again(keys, by)
    return len(keys)


def years_changed(types: Collection[int], by: User | None = None) -> int:
    """Look again at the valves in house of these types whose code has been read; how many they are."""
    read = Valve.objects.in_house().filter(type__in=list(types), date_readings__current=True)
    keys = set(read.values_list("pk", flat=True))
    _look_again(keys, by)
    return len(keys)


# Reading codes


def rank_code(
    code: str,
    type_: ValveType,
    received: date,
    others: Sequence[Sequence[DateMeaning]],
    register: Register,
    built: YearsKnown | None = None,
) -> list[Ranked]:
    """Every reading the code can have, likeliest first; none for an empty code or one that no rule fits.

    `built` is what the valve's construction tells of its years.
    """
    if not code.strip():
        return []
    found = readings(code, window_to(received))
    if register.is_a_types_number(code.strip()):
        found = [replace(one, any_number=True) for one in found]
    return rank(found, register.facts(type_, code), register.for_type(type_.pk), others, received, built)


def leader(ranked: Sequence[Ranked]) -> str:
    """The key of the reading that is likelier than every other, or nothing."""
    found = likeliest(ranked)
    return found.reading.key if found else ""


def built(features: Mapping[str, str], maker: Maker | None, type_id: int, register: Register) -> Built | None:
    """What the construction of a valve with this maker's print tells of its years."""
    known = register.maker(maker.name, type_id) if maker else None
    return built_between(features, known) if known else None


def others_of_line(line: Line, besides: Collection[int]) -> list[list[DateMeaning]]:
    """For each other valve of the line that has a code: the chosen reading alone, or all it may have."""
    current = DateReading.objects.filter(valve__line=line, current=True).exclude(valve__in=list(besides)[:500])
    return [one.readings for one in current.order_by("-id")[:MOST_OTHERS]]


def window_to(received: date) -> Window:
    """The years that anything received on that day can be from."""
    return Window(FIRST_YEAR, max(FIRST_YEAR, received.year))


def as_stored(ranked: Ranked) -> dict[str, object]:
    """A reading as one of the alternatives of a `CodeReading`."""
    reading = ranked.reading
    return {
        "form": reading.form.name,
        "detail": reading.detail,
        "source_code": reading.source_code,
        "earliest": reading.earliest and reading.earliest.isoformat(),
        "latest": reading.latest and reading.latest.isoformat(),
        "words": reading.words,
        "rule": reading.rule,
        "points": ranked.points,
        "possible": ranked.possible,
        "reasons": list(ranked.reasons),
    }


# Writing down


@dataclass(frozen=True)
class MarksSeen:
    """What somebody saw. An empty text is nothing seen; `type` None leaves the type alone.

    `chosen` is the key of the code's reading, empty while it is not decided. `features` and `condition` are by
    the names of `stockroom.marks.pure.construction`.
    """

    type: ValveType | None = None
    as_marked: str = ""
    maker: Maker | None = None
    code: str = ""
    chosen: str = ""
    features: Mapping[str, str] = field(default_factory=dict)
    condition: Mapping[str, str] = field(default_factory=dict)
    pack_marks: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        check(FEATURES, self.features)
        check(CONDITION, self.condition)


def record(valve: Valve, observed: MarksSeen, by: User | None) -> bool:
    """The valve is as the sheet says, and what the sheet leaves empty is not there. False when that is no news."""
    with transaction.atomic():
        type_before = hold_valves([valve.pk])[0].type_id
        if observed.type is not None and observed.type.pk is None:
            observed = replace(observed, type=keeping.enter({"designation": observed.type.designation}, by))
        changed = bool(_write([valve.pk], observed, by, whole=True, over=True))
        type_changed = observed.type is not None and observed.type.pk != type_before
        valve_identified.send(Valve, valve=valve, type_changed=type_changed, by=by)
    return changed


def spread(valves: Iterable[Valve], observed: MarksSeen, by: User | None, *, over: bool = False) -> int:
    """All these valves are as the sheet says; what it leaves empty is left alone, and so is the type.

    Without `over` nothing that is recorded already is changed. Returns how many valves were changed.
    """
    keys = [valve.pk for valve in valves]
    with transaction.atomic():
        return sum(_write(some, observed, by, whole=False, over=over) for some in chunked(keys))


def stamp(codes: Sequence[tuple[Valve, str]], by: User | None) -> None:
    """These new valves, of which nothing is recorded yet, carry these codes; how they are read is for a person to say.

    Unlike `spread` it takes a code of its own for each of thousands.
    """
    register = Register()
    ranked: dict[tuple[str, int, date], list[Ranked]] = {}
    with transaction.atomic():
        for start in range(0, len(codes), CHUNK):
            some = codes[start : start + CHUNK]
            rows, entries = [], []
            for valve, said in some:
                code, received = " ".join(said.split()), valve.line.lot.received_on
                at = (code, valve.type_id, received)
                if at not in ranked:
                    ranked[at] = rank_code(code, valve.line.type, received, [], register)
                valve.date_code = code
                rows.append(_date_reading(valve, code, None, ranked[at], by))
                read = ", reading not decided" if ranked[at] else ""
                text = f"Identified: code as stamped – → {code}{read}."
                entries.append(
                    Entry(by=by, action="identified", text=text, valve=valve, line=valve.line, lot_id=valve.line.lot_id)
                )
            Valve.objects.bulk_update([valve for valve, _ in some], ["date_code"], batch_size=200)
            DateReading.objects.bulk_create(rows, batch_size=200)
            Entry.objects.bulk_create(entries)
            reassess([valve for valve, _ in some], by)


def _write(keys: list[int], observed: MarksSeen, by: User | None, *, whole: bool, over: bool) -> int:
    with transaction.atomic():
        valves = hold_valves(keys, "type__first_registered_source", "maker")
        maker = (
            save_named(observed.maker, by)
            if observed.maker is not None and observed.maker.pk is None
            else observed.maker
        )
        changes: dict[int, list[str]] = {valve.pk: [] for valve in valves}
        for valve in valves:
            if whole and observed.type is not None and valve.type_id != observed.type.pk:
                changes[valve.pk].append(f"type {valve.type} → {observed.type}")
                valve.type = observed.type
            if whole and observed.type is not None and valve.as_marked != observed.as_marked:
                before, valve.as_marked = valve.called, observed.as_marked
                changes[valve.pk].append(f"name on the glass {before} → {valve.called}")
            if valve.maker != maker and (maker or whole) and (over or valve.maker is None):
                changes[valve.pk].append(f"marked maker {valve.maker or '–'} → {maker or '–'}")
                valve.maker = maker
        _write_codes(valves, observed, by, changes, whole=whole, over=over)
        Valve.objects.bulk_update(
            [valve for valve in valves if changes[valve.pk]],
            ["type", "as_marked", "maker", "date_code"],
            batch_size=200,
        )
        _write_features(valves, observed, by, changes, whole=whole, over=over)
        _write_conditions(valves, observed, by, changes, whole=whole, over=over)
        changed = [valve for valve in valves if changes[valve.pk]]
        Entry.objects.bulk_create(
            Entry(
                by=by,
                action="identified",
                text=told("Identified: ", changes[valve.pk]),
                valve=valve,
                line=valve.line,
                lot_id=valve.line.lot_id,
            )
            for valve in changed
        )
        reassess(changed, by)
    return len(changed)


Changes = dict[int, list[str]]


def _write_codes(
    valves: list[Valve], observed: MarksSeen, by: User | None, changes: Changes, *, whole: bool, over: bool
) -> None:
    """The code and how it is read. An earlier reading is kept, but stands no longer."""
    code = " ".join(observed.code.split())
    if not code and not whole:
        return
    current = {one.valve_id: one for one in DateReading.objects.filter(valve__in=valves, current=True)}
    wanted = [valve for valve in valves if over or not valve.date_code]
    register = Register()
    others = others_of_line(valves[0].line, [valve.pk for valve in wanted]) if valves else []
    ranked_by: dict[tuple[int, date, YearsKnown | None], list[Ranked]] = {}
    retired: list[int] = []
    new: list[DateReading] = []
    for valve in wanted:
        received = valve.line.lot.received_on
        told = built(observed.features, valve.maker, valve.type_id, register)
        at = (valve.type_id, received, told.years if told else None)
        if at not in ranked_by:
            ranked_by[at] = rank_code(code, valve.type, received, others, register, at[2])
        ranked, before = ranked_by[at], current.get(valve.pk)
        kept = [before.reading] if before and before.code == code and before.reading else []
        found = [*(one.reading for one in ranked), *kept]  # what stands stays a reading whatever the rules say by now
        chosen = next((one for one in found if one.key == observed.chosen), None)
        if observed.chosen and chosen is None:
            raise NoSuchReading(f"{code} cannot be read so. Choose one of its readings.")
        same = before and before.code == code and _key(before.reading) == _key(chosen)
        if same and "type" not in _of(changes[valve.pk]):
            continue
        if not before and not code and not valve.date_code:
            continue
        if before:
            retired.append(before.pk)
        read = f", read as {chosen.words}" if chosen else ", reading not decided" if ranked else ""
        was = valve.date_code
        stamped = f"code {code}" if code == was else f"code as stamped {was or '–'} → {code or '–'}"
        changes[valve.pk].append(stamped + read)
        valve.date_code = code
        if code:
            new.append(_date_reading(valve, code, chosen, ranked, by))
    DateReading.objects.filter(pk__in=retired).update(current=False)
    DateReading.objects.bulk_create(new, batch_size=200)


def _key(reading: DateMeaning | None) -> str:
    return reading.key if reading else ""


def _of(phrases: list[str]) -> set[str]:
    return {phrase.split()[0] for phrase in phrases}


def _date_reading(
    valve: Valve, code: str, chosen: DateMeaning | None, ranked: list[Ranked], by: User | None
) -> DateReading:
    row = DateReading(valve=valve, code=code, by=by)
    decide(row, chosen, ranked)
    return row


def decide(row: CodeReading, chosen: DateMeaning | None, ranked: Sequence[Ranked]) -> None:
    """Fill the row with the chosen reading, if any, and with all there are."""
    row.alternatives = [as_stored(one) for one in ranked]
    if chosen:
        row.form, row.detail, row.source_code = chosen.form.name, chosen.detail, chosen.source_code or ""
        row.earliest, row.latest = chosen.earliest, chosen.latest


def _write_features(
    valves: list[Valve], observed: MarksSeen, by: User | None, changes: Changes, *, whole: bool, over: bool
) -> None:
    seen = {(one.valve_id, one.feature): one for one in SeenFeature.objects.filter(valve__in=valves)}
    new: list[SeenFeature] = []
    changed: list[SeenFeature] = []
    gone: list[int] = []
    for valve in valves:
        for feature in FEATURES:
            word, before = observed.features.get(feature, ""), seen.get((valve.pk, feature))
            was = before.word if before else ""
            if word == was or (not word and not whole) or (was and not over):
                continue
            changes[valve.pk].append(f"{feature} {was} → {word or '–'}" if was else f"{feature} {word}")
            if before is None:
                new.append(SeenFeature(valve=valve, feature=feature, word=word, by=by))
            elif word:
                before.word, before.by, before.at = word, by, timezone.now()
                changed.append(before)
            else:
                gone.append(before.pk)
    SeenFeature.objects.filter(pk__in=gone).delete()
    SeenFeature.objects.bulk_update(changed, ["word", "by", "at"], batch_size=200)
    SeenFeature.objects.bulk_create(new, batch_size=500)


def _write_conditions(
    valves: list[Valve], observed: MarksSeen, by: User | None, changes: Changes, *, whole: bool, over: bool
) -> None:
    there = {one.valve_id: one for one in Condition.objects.filter(valve__in=valves)}
    wanted = {
        **{name: observed.condition.get(name, "") for name in CONDITION},
        "pack_marks": " ".join(observed.pack_marks.split()),
        "note": observed.note.strip(),
    }
    labels = {"pack_marks": "marks on the pack", "note": "note on the condition"}
    new: list[Condition] = []
    changed: list[Condition] = []
    for valve in valves:
        condition = there.get(valve.pk) or Condition(valve=valve)
        phrases = []
        for name, word in wanted.items():
            was = getattr(condition, name)
            if word == was or (not word and not whole) or (was and not over):
                continue
            label = labels.get(name, name)
            phrases.append(f"{label} {was} → {word or '–'}" if was else f"{label} {word}")
            setattr(condition, name, word)
        if phrases:
            changes[valve.pk] += phrases
            condition.by, condition.at = by, timezone.now()
            (changed if valve.pk in there else new).append(condition)
    Condition.objects.bulk_update(changed, [*wanted, "by", "at"], batch_size=100)
    Condition.objects.bulk_create(new, batch_size=200)


# Warnings


def reassess(valves: Iterable[Valve], by: User | None) -> None:
    """Bring the warnings of these valves up to date. What was dismissed stays so while the reason is the same."""
    _look_again({valve.pk for valve in valves}, by)


@transaction.atomic
def _look_again(keys: Collection[int], by: User | None) -> None:
    register = Register()
    for some in chunked(keys):
        reassess_by(register, some, by)


class WarningsMoved(NamedTuple):
    came: int
    went: int


def reassess_by(register: Register, keys: list[int], by: User | None) -> WarningsMoved:
    """As `reassess`, for so many valves as one question takes, by a register that is read already."""
    found: dict[int, dict[tuple[str, str], MarkWarning]] = defaultdict(dict)
    for warning in MarkWarning.objects.found().filter(valve__in=keys):
        found[warning.valve_id][warning.subject, warning.reason] = warning
    new: list[MarkWarning] = []
    cleared: list[MarkWarning] = []
    entries: list[Entry] = []
    for valve, assessment in _assessments(keys, register):
        wanted = {(one.subject.value, one.reason): one for one in assessment.disagreements}
        for at, warning in found[valve.pk].items():
            if at not in wanted:
                cleared.append(warning)
                entries.append(_entry(by, "marks-agree", f"No longer so: {warning.reason}.", valve))
        for at, disagreement in wanted.items():
            if at not in found[valve.pk]:
                new.append(MarkWarning(valve=valve, subject=disagreement.subject.value, reason=disagreement.reason))
                text = Assessment((disagreement,), ()).sentence()
                entries.append(_entry(by, "marks-disagree", text, valve))
    for some in chunked([warning.pk for warning in cleared]):
        MarkWarning.objects.filter(pk__in=some).update(cleared_at=timezone.now())
    MarkWarning.objects.bulk_create(new, batch_size=200)
    Entry.objects.bulk_create(entries)
    return WarningsMoved(len(new), len(cleared))


def _entry(by: User | None, action: str, text: str, valve: Valve) -> Entry:
    return Entry(by=by, action=action, text=text, valve=valve, line=valve.line, lot_id=valve.line.lot_id)


def _assessments(keys: list[int], register: Register) -> Iterable[tuple[Valve, Assessment]]:
    read = {one.valve_id: one for one in DateReading.objects.filter(valve__in=keys, current=True)}
    packs = dict(Condition.objects.filter(valve__in=keys).values_list("valve", "pack_marks"))
    of_line = {
        one.packing.line_id: [one.reading] if one.reading else []
        for one in PackDateReading.objects.filter(packing__line__valves__in=keys, current=True)
        .select_related("packing")
        .distinct()
    }
    construction: dict[int, dict[str, str]] = defaultdict(dict)
    for key, feature, word in SeenFeature.objects.filter(valve__in=keys).values_list("valve", "feature", "word"):
        construction[key][feature] = word
    for valve in Valve.objects.filter(pk__in=keys).select_related(
        "type__first_registered_source", "maker", "line__lot"
    ):
        window = window_to(valve.line.lot.received_on)
        marks = Marks(
            printed_maker=valve.maker.name if valve.maker else None,
            readings=read[valve.pk].readings if valve.pk in read else (),
            # in one order, whatever the database's: the reason of a warning is known again by its words
            construction={name: construction[valve.pk][name] for name in FEATURES if name in construction[valve.pk]},
            pack_readings=[one for _, some in find_dates(packs.get(valve.pk, ""), window) for one in some]
            or of_line.get(valve.line_id, ()),
            code=valve.date_code,
            types_named=register.types_named(valve.date_code, valve.type),
        )
        yield valve, assess(marks, register.facts(valve.type, valve.date_code), register.for_type(valve.type_id))


def dismiss(warning: MarkWarning, because: str, by: User) -> None:
    """Somebody has looked and says why it is nothing. It stays in the valve's history."""
    with transaction.atomic():
        warning = (
            MarkWarning.objects.select_for_update(no_key=True, of=("self",))
            .select_related("valve__line")
            .get(pk=warning.pk)
        )
        if warning.dismissed_at or warning.cleared_at:
            raise DealtWithAlready("This warning has been dealt with already.")
        warning.dismissed_at, warning.dismissed_by, warning.dismissed_because = timezone.now(), by, because
        warning.save(update_fields=["dismissed_at", "dismissed_by", "dismissed_because"])
        text = f"Warning dismissed, {because}: {warning.reason}."
        _entry(by, "warning-dismissed", text, warning.valve).save()


# Cleaning

# Common practice, no source.
PRINT_COMES_OFF = (
    "Print on many valves comes off under a dry thumb. Write down and photograph the marks first, keep off the print, "
    "and put no water or solvent near it."
)
FIBRES = (
    "Old packing, base cement and heat shields can be asbestos. What looks like mineral fibre is not brushed, cut or "
    "blown on; leave it to those who are qualified, by local rules."
)
BY_CAUTION = {
    "radioactive": "Do not scrape or grind it; wash your hands afterwards.",
    "mercury": "Do not shake it or warm it. If the glass is cracked, stop.",
    "directly heated": "No knocks: the filament may break.",
}


def cleaning_cautions(type_: ValveType) -> list[str]:
    """What to mind when a valve of this type is cleaned, its own cautions last."""
    of_type = [BY_CAUTION[caution] for caution in type_.cautions if caution in BY_CAUTION]
    return [PRINT_COMES_OFF, FIBRES, *type_.caution_sentences, *of_type]


def clean(valve: Valve, how: str, note: str, by: User) -> Cleaning:
    with transaction.atomic():
        cleaning = Cleaning.objects.create(valve=valve, how=Cleaning.How(how), note=note.strip(), by=by)
        _entry(by, "cleaned", f"Cleaned: {cleaning}.", valve).save()
    return cleaning


# For pages


class ShownMarks(NamedTuple):
    """All that is recorded of one valve's marks and condition."""

    reading: DateReading | None
    features: list[SeenFeature]
    condition: Condition | None
    cleanings: list[Cleaning]
    warnings: list[MarkWarning]  # open
    settled: list[MarkWarning]  # dismissed or cleared
    sentence: str
    unchecked: tuple[str, ...]
    said: list[MarkSaid]
    built: Built | None


def marks_of(valve: Valve) -> ShownMarks:
    warnings = list(valve.warnings.select_related("dismissed_by"))
    still_open = [one for one in warnings if not one.cleared_at and not one.dismissed_at]
    seen = list(valve.features.all())
    reading = valve.date_readings.filter(current=True).first()
    unchecked: tuple[str, ...] = ()
    register = Register()
    if reading or seen or valve.maker:
        (_, assessment), *_ = _assessments([valve.pk], register)
        unchecked = assessment.unchecked
    return ShownMarks(
        reading=reading,
        features=sorted(seen, key=lambda one: list(FEATURES).index(one.feature)),
        condition=Condition.objects.filter(valve=valve).first(),
        cleanings=list(valve.cleanings.select_related("by")),
        warnings=still_open,
        settled=[one for one in warnings if one not in still_open],
        sentence=in_words(still_open),
        unchecked=unchecked,
        said=register.said(valve.date_code, valve.type),
        built=built({one.feature: one.word for one in seen}, valve.maker, valve.type_id, register),
    )


def in_words(warnings: Sequence[MarkWarning]) -> str:
    """The open warnings of one valve as one sentence; nothing when there are none. Never a verdict."""
    found = tuple(MarksDisagreement(Subject(one.subject), one.reason) for one in reversed(warnings))
    return Assessment(found, ()).sentence() if found else ""


def warnings_by_line(line_ids: Collection[int]) -> dict[int, int]:
    """How many valves of each line have an open warning, for the lines where any has."""
    counts: dict[int, int] = {}
    for some in chunked(line_ids):
        counts |= dict(
            MarkWarning.objects.open()
            .filter(valve__line__in=some)
            .values_list("valve__line")
            .annotate(n=Count("valve", distinct=True))
            .order_by()
        )
    return counts
