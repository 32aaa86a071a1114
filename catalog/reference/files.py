"""The reference files: what a valve of each type should be, read from TOML and checked before it is believed.

The files are `sources*.toml`, `basings*.toml` and `types/*.toml`. Every row of values names its source by
key. Numbers are read as Decimal, so the digits a data sheet printed, trailing noughts included, can still be
counted. Nothing is guessed: a key we do not know, a source that is not listed, a basing without the electrode
its section needs, are all refused with the file, the type, the section and the key in the message.

A type of which only name, kind, heater and base are known is a good row too: its ratings are "unstated", it has no test
point, and every pin of its basing is "unknown", which no comparison of sockets takes for a fit.

What a type may say beside the plain maxima, all of it optional::

    [[type]]
    basing = "octal, pins not on file"          # the base alone is known; no basing file need list it
    warm_up_s = 11                  # controlled warm-up, where the sheet gives one
    series_string_a = 0.6           # the string that its heater is made for

    [type.section.ratings]          # per section, or per anode of a rectifier, unless the key says otherwise
    all_anodes_dissipation_max_w = 5.5          # of both sections together
    anode_voltage_cold_max_v = 550              # no anode current yet, or cut off
    heater_positive_voltage_max_v = 90          # heater positive to the cathode
    heater_negative_voltage_max_v = 180         # heater negative to it: the cathode stands above the heater
    heater_cathode_voltage_max_v = 180          # only where the sheet gives one figure, whatever the sign
    grid_circuit_fixed_bias_max_kohm = 250      # control grid to its return, bias fixed
    grid_circuit_self_bias_max_kohm = 1000      # the same with a cathode resistor
    anode_current_max_ma = 125                  # a full-wave rectifier's is the direct current of both anodes
    peak_anode_current_max_ma = 400             # of one anode, in each cycle
    first_capacitor_max_uf = 20                 # after a rectifier, capacitor input
    source_resistance_min_ohm = 50              # in series with each anode of a rectifier
    supply_rms_max_v = 350                      # each anode's alternating supply, capacitor input
    drop_v = 50                                 # what one anode of a rectifier loses
    drop_at_ma = 125                            # at this current through that one anode
    striking_voltage_v = 185                    # what a stabiliser must be offered to strike, in light
    least_current_ma = 5                        # with less a stabiliser goes out or wanders

    [[type.section.test_point]]     # beside the plain settings and nominals
    current_is_set = true           # instead of a bias: it is whatever lets anode_current_ma flow, which grades nothing
    conversion_conductance_ma_per_v = 0.45      # a mixer's, in place of gm, the oscillator's drive in load_note
    as_triode = true                # the screen joined to the anode, no screen_voltage_v: current and gm are of both
    gm_not_printed = true           # the sheet gives the current and no gm, as of class B double triodes

    [[type.application]]            # a row of a resistance-coupled table, or typical operation
    name = "300 V, 100 kohm"
    section = 1
    role = "common cathode"         # a word of ROLES
    screen = "pentode"              # or "triode", "ultralinear"; left out where there is no screen
    supply_voltage_v = 300          # above the foot of the cathode resistor; or else
    anode_voltage_v = 250           # from anode to cathode, which transformer-coupled rows give
    anode_load_kohm = 100           # push-pull: anode to anode; a rectifier's own rows leave it out
    next_grid_kohm = 470            # the following grid's resistor, where there is one
    cathode_resistor_ohm = 1500     # or grid_voltage_v = -2; push-pull with one resistor for both: as printed
    screen_voltage_v = 250          # or screen_resistor_kohm = 470
    anode_current_ma = 1.1          # of one valve, no signal
    screen_current_ma = 5
    gain = 60
    output_voltage_v = 30           # rms
    output_power_w = 4.5            # push-pull: of both valves
    distortion_percent = 5          # total, at that output
    source = "memory"
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from catalog.reference.equivalents import SOURCE, further_names, read_equivalents
from catalog.reference.possible import impossible, why_no_year
from catalog.reference.row_reader import RowReader
from catalog.reference.rows import (
    PINS_NOT_ON_FILE,
    AliasRow,
    ApplicationRow,
    BasingRow,
    Electrode,
    HeaterRow,
    KinRow,
    PinRow,
    RatingsRow,
    Reference,
    ReferenceProblem,
    SectionRow,
    SourceRow,
    TestPointRow,
    TypeRow,
)
from catalog.reference.scripts import normal
from catalog.reference.vocabulary import (
    BASES,
    CATHODES,
    CAUTIONS,
    ELECTRODES,
    KINSHIPS,
    RATING_SYSTEMS,
    ROLES,
    SCREENS,
    SECTION_ELECTRODES,
    SHARED_ELECTRODES,
    SOURCE_KINDS,
    TRADITIONS,
    TYPE_KINDS,
    WIRINGS,
    WITHOUT_GAIN,
)


def read_reference(folder: Path) -> Reference:
    """Read the reference files of `folder`, every row checked. Raises ReferenceProblem at the first fault."""
    sources: dict[str, SourceRow] = {}
    for row in _tables(folder, "sources*.toml", "source"):
        source = _source(row)
        if source.key in sources:
            raise row.problem("key", f"“{source.key}” is listed twice")
        sources[source.key] = source

    basings: dict[str, BasingRow] = {}
    for row in _tables(folder, "basings*.toml", "basing"):
        basing = _basing(row, sources)
        if basing.name in basings:
            raise row.problem("name", f"“{basing.name}” is listed twice")
        basings[basing.name] = basing

    types: dict[str, TypeRow] = {}
    known = _bare_basings() | basings
    for row in _tables(folder, "types/*.toml", "type"):
        valve = _type(row, sources, known)
        if valve.designation in types:
            raise row.problem("designation", f"“{valve.designation}” is listed twice")
        types[valve.designation] = valve
        basings.setdefault(valve.basing, known[valve.basing])

    by_name = _names(types.values())
    _check_related(types.values(), by_name)
    types = _with_equivalents(types, by_name, folder)
    by_name = _names(types.values())
    return Reference(sources, basings, types, by_name)


def _with_equivalents(types: Mapping[str, TypeRow], by_name: Mapping[str, TypeRow], folder: Path) -> dict[str, TypeRow]:
    on_file = {name: valve.designation for name, valve in by_name.items()}
    try:
        further = further_names(read_equivalents(folder / "equivalents.toml"), on_file)
    except ValueError as fault:
        raise ReferenceProblem(str(fault)) from fault
    return {key: _also_called(valve, further.get(key, ())) for key, valve in types.items()}


def _also_called(valve: TypeRow, names: Collection[str]) -> TypeRow:
    if not names:
        return valve
    tables = [{"designation": name, "source": SOURCE} for name in names]
    aliases = tuple(AliasRow(name, SOURCE, "") for name in names)
    written = valve.table.get("aliases")
    table = {**valve.table, "aliases": [*(written if isinstance(written, list) else []), *tables]}
    return replace(valve, aliases=(*valve.aliases, *aliases), table=table)


def read_type(
    table: Mapping[str, object], where: str, sources: Collection[str], basings: Mapping[str, BasingRow]
) -> TypeRow:
    """A type that a shop keeps itself, of which nothing but the name need be known. Raises ReferenceProblem."""
    return _type(RowReader(where, dict(table), sparse=True), sources, basings)


def read_basing(table: Mapping[str, object], where: str, sources: Collection[str]) -> BasingRow:
    """A basing that a shop describes itself, on any base. Raises ReferenceProblem."""
    return _basing(RowReader(where, dict(table), sparse=True), sources)


def read_source(table: Mapping[str, object], where: str) -> SourceRow:
    """Raises ReferenceProblem."""
    return _source(RowReader(where, dict(table)))


def _tables(folder: Path, pattern: str, name: str) -> Iterator[RowReader]:
    paths = sorted(folder.glob(pattern))
    if not paths:
        raise ReferenceProblem(f"{folder}: no file {pattern} here")
    for path in paths:
        file = path.relative_to(folder).as_posix()
        try:
            document = tomllib.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
            raise ReferenceProblem(f"{file}: not readable as TOML: {fault}") from fault
        whole = RowReader(file, document)
        yield from whole.rows(name, name)
        whole.finish()


def _source(row: RowReader) -> SourceRow:
    source = SourceRow(
        key=row.text("key"),
        title=row.text("title"),
        edition=row.optional_text("edition"),
        kind=row.word("kind", SOURCE_KINDS),
    )
    row.finish()
    return source


def _basing(row: RowReader, sources: Collection[str]) -> BasingRow:
    name = row.text("name")
    row.where = f"{row.where.split(',')[0]}, basing {name}"
    base = row.text("base") if row.sparse else row.word("base", BASES)
    written = row.list("pins")
    if base in BASES and len(written) != BASES[base].pins:
        raise row.problem("pins", f"a base {base} has {BASES[base].pins} pins, {len(written)} are listed")
    basing = BasingRow(
        name=name,
        base=base,
        pins=tuple(
            PinRow(number, _electrodes(row, f"pins, pin {number}", text))
            for number, text in enumerate(written, start=1)
        ),
        top_cap=_electrodes(row, "top_cap", row.optional_text("top_cap") or "-"),
        source=row.word("source", sources),
        at=row.optional_text("at"),
        note=row.optional_text("note"),
    )
    row.finish()
    return basing


def _bare_basings() -> dict[str, BasingRow]:
    """Of every base one that says no more than that: "octal, pins not on file". No file need list it."""
    return {
        name: BasingRow(
            name=name,
            base=base,
            pins=tuple(PinRow(number, (PINS_NOT_ON_FILE,)) for number in range(1, BASES[base].pins + 1)),
            top_cap=(),
            source="memory",
            at="",
            note="",
        )
        for base in BASES
        for name in (f"{base}, pins not on file",)
    }


def _electrodes(row: RowReader, key: str, text: object) -> tuple[Electrode, ...]:
    """What one pin carries: "1:k+1:g3" is cathode and grid 3 of section 1, "-" a pin that is not there."""
    if not isinstance(text, str) or not text:
        raise row.problem(key, f"electrodes in quotes are wanted, not {text!r}")
    return () if text == "-" else tuple(_electrode(row, key, part) for part in text.split("+"))


def _electrode(row: RowReader, key: str, text: str) -> Electrode:
    section, colon, code = text.rpartition(":")
    if code not in ELECTRODES:
        raise row.problem(key, f"“{code}” is not an electrode; known: {', '.join(ELECTRODES)}")
    if code in SHARED_ELECTRODES:
        if colon:
            raise row.problem(key, f"“{text}”: {ELECTRODES[code]} belongs to no section")
        return Electrode(None, code)
    if not re.fullmatch("[1-9]", section):
        raise row.problem(key, f"“{text}”: write the section first, as in 1:{code}")
    return Electrode(int(section), code)


def _type(row: RowReader, sources: Collection[str], basings: Mapping[str, BasingRow]) -> TypeRow:
    designation = row.text("designation")
    file = row.where.split(",")[0]
    row.where = f"{file}, {designation}"
    cathode = row.known_word("cathode", CATHODES)
    basing = row.known_word("basing", basings)
    heaters = tuple(_heater(heater) for heater in row.rows("heaters", "heater"))
    registered = row.optional_positive("first_registered")
    if registered is not None and (why := why_no_year(registered)):
        raise row.problem("first_registered", why)
    valve = TypeRow(
        designation=designation,
        kind=row.known_word("kind", TYPE_KINDS),
        cathode=cathode,
        basing=basing,
        basing_source=row.word("basing_source", sources) if basing else "",
        basing_at=row.optional_text("basing_at"),
        heaters=heaters,
        heater_source=row.word("heater_source", sources) if heaters or (cathode and cathode != "cold") else "",
        heater_at=row.optional_text("heater_at"),
        tradition=row.known_word("tradition", TRADITIONS),
        special_quality=row.flag("special_quality"),
        first_registered=None if registered is None else int(registered),
        first_registered_source=None if registered is None else row.word("first_registered_source", sources),
        cautions=_cautions(row),
        aliases=tuple(_alias(alias, sources) for alias in row.rows("aliases", "alias")),
        related=tuple(_related(related, sources) for related in row.rows("related", "related")),
        sections=_sections(row, sources),
        warm_up_s=row.optional_positive("warm_up_s"),
        series_string_a=row.optional_positive("series_string_a"),
        applications=tuple(_application(table, sources) for table in row.rows("application", "application")),
        note=row.optional_text("note"),
        file=file,
        table=row.table,
    )
    row.finish()
    if not valve.sections and not row.sparse:
        raise row.problem("section", "missing; a valve has at least one")
    if bool(valve.heaters) == (cathode == "cold") and (valve.heaters or not row.sparse):
        raise row.problem("heaters", "a cold cathode has none, every other cathode at least one")
    for key, what in impossible(valve):
        raise row.problem(key, what)
    if basing and valve.sections:
        _check_basing(row, valve, basings[basing])
    _check_applications(row, valve)
    return valve


def _heater(row: RowReader) -> HeaterRow:
    heater = HeaterRow(
        wiring=row.word("wiring", WIRINGS, default="single"),
        voltage_v=row.positive("voltage_v"),
        current_a=row.positive("current_a"),
    )
    row.finish()
    return heater


def _cautions(row: RowReader) -> tuple[str, ...]:
    words = row.list("cautions")
    for word in words:
        if word not in CAUTIONS:
            raise row.problem("cautions", f"“{word}” is not one of: {', '.join(sorted(CAUTIONS))}")
    return tuple(str(word) for word in words)


def _alias(row: RowReader, sources: Collection[str]) -> AliasRow:
    alias = AliasRow(row.text("designation"), row.word("source", sources), row.optional_text("at"))
    row.finish()
    return alias


def _related(row: RowReader, sources: Collection[str]) -> KinRow:
    related = KinRow(
        designation=row.text("designation"),
        how=row.word("how", KINSHIPS),
        note=row.optional_text("note"),
        source=row.word("source", sources),
        at=row.optional_text("at"),
    )
    row.finish()
    if related.how == "near" and not related.note:
        raise row.problem("note", "missing; a near type is of no use without what differs")
    return related


def _sections(row: RowReader, sources: Collection[str]) -> tuple[SectionRow, ...]:
    """The sections in order. A block that says `alike = 2` describes this section and the next."""
    sections: list[SectionRow] = []
    for block in row.rows("section", "section"):
        alike = block.optional_positive("alike") or Decimal(1)
        if alike % 1:
            raise block.problem("alike", f"a whole number of sections is wanted, not {alike}")
        first = _section(block, len(sections) + 1, sources)
        sections += [replace(first, index=first.index + step) for step in range(int(alike))]
    return tuple(sections)


def _section(row: RowReader, index: int, sources: Collection[str]) -> SectionRow:
    kind = row.word("kind", SECTION_ELECTRODES)
    ratings = _ratings(RowReader(f"{row.where}, ratings", row.take("ratings") or {}, row.sparse), sources)
    points: list[TestPointRow] = []
    for table in row.rows("test_point", "test point"):
        point = _test_point(table, kind, sources)
        if point.name in {earlier.name for earlier in points}:
            raise table.problem("name", f"“{point.name}” is used twice in this section")
        points.append(point)
    row.finish()
    return SectionRow(index, kind, ratings, tuple(points))


def _ratings(row: RowReader, sources: Collection[str]) -> RatingsRow:
    ratings = RatingsRow(
        system=row.word("system", RATING_SYSTEMS, default="unstated" if row.sparse else None),
        anode_voltage_max_v=row.optional_positive("anode_voltage_max_v"),
        anode_dissipation_max_w=row.optional_positive("anode_dissipation_max_w"),
        anode_current_max_ma=row.optional_positive("anode_current_max_ma"),
        screen_voltage_max_v=row.optional_positive("screen_voltage_max_v"),
        screen_dissipation_max_w=row.optional_positive("screen_dissipation_max_w"),
        cathode_current_max_ma=row.optional_positive("cathode_current_max_ma"),
        heater_cathode_voltage_max_v=row.optional_positive("heater_cathode_voltage_max_v"),
        peak_inverse_voltage_max_v=row.optional_positive("peak_inverse_voltage_max_v"),
        heater_positive_voltage_max_v=row.optional_positive("heater_positive_voltage_max_v"),
        heater_negative_voltage_max_v=row.optional_positive("heater_negative_voltage_max_v"),
        all_anodes_dissipation_max_w=row.optional_positive("all_anodes_dissipation_max_w"),
        anode_voltage_cold_max_v=row.optional_positive("anode_voltage_cold_max_v"),
        grid_circuit_fixed_bias_max_kohm=row.optional_positive("grid_circuit_fixed_bias_max_kohm"),
        grid_circuit_self_bias_max_kohm=row.optional_positive("grid_circuit_self_bias_max_kohm"),
        peak_anode_current_max_ma=row.optional_positive("peak_anode_current_max_ma"),
        first_capacitor_max_uf=row.optional_positive("first_capacitor_max_uf"),
        source_resistance_min_ohm=row.optional_positive("source_resistance_min_ohm"),
        supply_rms_max_v=row.optional_positive("supply_rms_max_v"),
        drop_v=row.optional_positive("drop_v"),
        drop_at_ma=row.optional_positive("drop_at_ma"),
        striking_voltage_v=row.optional_positive("striking_voltage_v"),
        least_current_ma=row.optional_positive("least_current_ma"),
        source=row.word("source", sources, default=SOURCE if row.sparse else None),
        at=row.optional_text("at"),
    )
    row.finish()
    if (ratings.drop_v is None) != (ratings.drop_at_ma is None):
        raise row.problem("drop_v", "a drop needs its current: give both drop_v and drop_at_ma")
    if ratings.least_current_ma and ratings.least_current_ma >= (ratings.anode_current_max_ma or Decimal("Infinity")):
        raise row.problem("least_current_ma", "the least current must be below anode_current_max_ma")
    return ratings


def _test_point(row: RowReader, kind: str, sources: Collection[str]) -> TestPointRow:
    name = row.text("name")
    row.where = f"{row.where} “{name}”"
    electrodes = SECTION_ELECTRODES[kind]
    gridded, screened = kind not in WITHOUT_GAIN, "g2" in electrodes
    conversion = row.optional_positive("conversion_conductance_ma_per_v") if gridded else None
    as_triode = row.flag("as_triode") if screened else False
    point = TestPointRow(
        name=name,
        anode_voltage_v=row.positive("anode_voltage_v"),
        screen_voltage_v=row.positive("screen_voltage_v") if screened and not as_triode else None,
        grid_voltage_v=row.optional_number("grid_voltage_v") if gridded else None,
        cathode_resistor_ohm=row.optional_positive("cathode_resistor_ohm") if gridded else None,
        current_is_set=row.flag("current_is_set") if gridded else False,
        as_triode=as_triode,
        anode_current_ma=row.nominal("anode_current_ma"),
        screen_current_ma=row.optional_positive("screen_current_ma") if screened else None,
        gm_ma_per_v=_slope(row, conversion) if gridded else None,
        mu=row.optional_positive("mu") if gridded else None,
        anode_resistance_kohm=row.optional_positive("anode_resistance_kohm"),
        anode_current_min_ma=row.optional_positive("anode_current_min_ma"),
        anode_current_max_ma=row.optional_positive("anode_current_max_ma"),
        gm_min_ma_per_v=row.optional_positive("gm_min_ma_per_v") if gridded else None,
        gm_max_ma_per_v=row.optional_positive("gm_max_ma_per_v") if gridded else None,
        conversion_conductance_ma_per_v=conversion,
        load_note=row.optional_text("load_note"),
        source=row.word("source", sources),
        at=row.optional_text("at"),
    )
    row.finish()
    given = sum(value is not None for value in (point.grid_voltage_v, point.cathode_resistor_ohm))
    if gridded and point.current_is_set and (given or point.anode_current_ma is None or point.gm_ma_per_v is None):
        raise row.problem("current_is_set", "give the current and gm, and no bias: it is set until the current flows")
    if gridded and not point.current_is_set and given != 1:
        raise row.problem("grid_voltage_v", "give either this or cathode_resistor_ohm")
    _check_limits(row, "anode_current", point.anode_current_min_ma, point.anode_current_ma, point.anode_current_max_ma)
    _check_limits(row, "gm", point.gm_min_ma_per_v, point.gm_ma_per_v, point.gm_max_ma_per_v)
    return point


def _slope(row: RowReader, conversion: Decimal | None) -> Decimal | None:
    """A mixer's sheet gives conversion conductance where another's gives gm; a few print neither, and say so here."""
    spared = row.flag("gm_not_printed") or conversion is not None
    return row.optional_positive("gm_ma_per_v") if spared else row.nominal("gm_ma_per_v")


def _application(row: RowReader, sources: Collection[str]) -> ApplicationRow:
    name = row.text("name")
    row.where = f"{row.where} “{name}”"
    section = row.optional_positive("section") or Decimal(1)
    if section % 1:
        raise row.problem("section", f"a whole number is wanted, not {section}")
    application = ApplicationRow(
        name=name,
        section=int(section),
        role=row.word("role", ROLES),
        screen=row.word("screen", SCREENS | {""}, default=""),
        supply_voltage_v=row.optional_positive("supply_voltage_v"),
        anode_voltage_v=row.optional_positive("anode_voltage_v"),
        anode_load_kohm=row.optional_positive("anode_load_kohm"),
        next_grid_kohm=row.optional_positive("next_grid_kohm"),
        cathode_resistor_ohm=row.optional_positive("cathode_resistor_ohm"),
        grid_voltage_v=row.optional_number("grid_voltage_v"),
        screen_voltage_v=row.optional_positive("screen_voltage_v"),
        screen_resistor_kohm=row.optional_positive("screen_resistor_kohm"),
        anode_current_ma=row.optional_positive("anode_current_ma"),
        screen_current_ma=row.optional_positive("screen_current_ma"),
        gain=row.optional_positive("gain"),
        output_voltage_v=row.optional_positive("output_voltage_v"),
        output_power_w=row.optional_positive("output_power_w"),
        distortion_percent=row.optional_positive("distortion_percent"),
        note=row.optional_text("note"),
        source=row.word("source", sources),
        at=row.optional_text("at"),
    )
    row.finish()
    if (application.supply_voltage_v is None) == (application.anode_voltage_v is None):
        raise row.problem("supply_voltage_v", "give either this or anode_voltage_v")
    return application


def _check_applications(row: RowReader, valve: TypeRow) -> None:
    names = [application.name for application in valve.applications]
    for application in valve.applications:
        if names.count(application.name) > 1:
            raise row.problem("application", f"“{application.name}” is used twice")
        if application.section > len(valve.sections):
            raise row.problem("application", f"“{application.name}”: the type has no section {application.section}")


def _check_limits(
    row: RowReader, name: str, least: Decimal | None, nominal: Decimal | None, most: Decimal | None
) -> None:
    if least is not None and most is not None and least > most:
        raise row.problem(name, f"the minimum {least} is above the maximum {most}")
    if nominal is not None and least is not None and nominal < least:
        raise row.problem(name, f"the nominal {nominal} is below the minimum {least}")
    if nominal is not None and most is not None and nominal > most:
        raise row.problem(name, f"the nominal {nominal} is above the maximum {most}")


def _check_basing(row: RowReader, valve: TypeRow, basing: BasingRow) -> None:
    """The basing must bring out what the sections and the heater need, and no section beyond the type's.

    Where the pins are not on file there is nothing to check.
    """
    brought_out = set(basing.electrodes())
    if PINS_NOT_ON_FILE in brought_out:
        return
    for section in valve.sections:
        codes = {electrode.code for electrode in brought_out if electrode.section == section.index}
        wanted = SECTION_ELECTRODES[section.kind] | ({"k"} if valve.cathode == "indirect" else set())
        if lacking := wanted - codes:
            names = ", ".join(ELECTRODES[code] for code in sorted(lacking))
            raise row.problem("basing", f"{basing.name} brings out no {names} for section {section.index}")
    last = max(electrode.section or 0 for electrode in brought_out)
    if last > len(valve.sections):
        raise row.problem("basing", f"{basing.name} has a section {last}, which the type does not")
    ends = {"indirect": "h", "direct": "f"}.get(valve.cathode)
    if ends and sum(electrode.code == ends for electrode in basing.electrodes()) < 2:
        raise row.problem("basing", f"{basing.name} does not bring out both ends of the {ELECTRODES[ends]}")
    if basing.top_cap and "top cap" not in valve.cautions:
        raise row.problem("cautions", f"{basing.name} has a top cap; say “top cap” here")


def _names(types: Collection[TypeRow]) -> dict[str, TypeRow]:
    by_name: dict[str, TypeRow] = {}
    for valve in types:
        for name in (valve.designation, *(alias.designation for alias in valve.aliases)):
            if not normal(name):
                raise ReferenceProblem(
                    f"{valve.file}, {valve.designation}: “{name}” has no letter or figure to know it by"
                )
            if holder := by_name.get(normal(name)):
                raise ReferenceProblem(
                    f"{valve.file}, {valve.designation}: designation or alias: "
                    f"“{name}” already means {holder.designation} in {holder.file}"
                )
            by_name[normal(name)] = valve
    return by_name


def _check_related(types: Collection[TypeRow], by_name: Mapping[str, TypeRow]) -> None:
    for valve in types:
        for related in valve.related:
            other = by_name.get(normal(related.designation))
            if other is None or other is valve:
                what = "is in no reference file" if other is None else "is the type itself"
                raise ReferenceProblem(f"{valve.file}, {valve.designation}: related: “{related.designation}” {what}")
