"""Which reading is likeliest, and which marks do not agree. Makers, codes and dates are invented."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stockroom.marks.pure.datecodes import Form, Window, readings
from stockroom.marks.pure.identification import Assessment, MakerFacts, Marks, Subject, TypeFacts, assess, rank

WINDOW = Window(1930, 1999)
RECEIVED = date(2026, 3, 2)
TYPE = TypeFacts("12AX7", first_registered=1946, last_made=1985)
ALDER = MakerFacts(
    "Alder Works",
    frozenset({"900"}),
    first_year=1938,
    last_year=1968,
    construction={"getter": frozenset({"square", "disc"}), "plates": frozenset({"ribbed"})},
)
BIRCH = MakerFacts(
    "Birch & Daughters",
    frozenset({"901", "902"}),
    first_year=1950,
    construction={"getter": frozenset({"halo"}), "plates": frozenset({"smooth"})},
)
REGISTER = [ALDER, BIRCH]


def ranked(code, line=(), facts=TYPE, makers=REGISTER, received=RECEIVED):
    return rank(readings(code, WINDOW), facts, makers, line, received)


def chosen(code, year):
    return [reading for reading in readings(code, WINDOW) if reading.detail.endswith(str(year))]


# Ranking


def test_the_lines_other_valves_settle_the_decade():
    line = [chosen("900-6115", 1961), chosen("900-6120", 1961), chosen("900-6040", 1960)]
    best = ranked("900118", line)[0]
    assert best.reading.words == "source code 900, week 18 of 1961"
    assert "3 of 3 other valves of the line can be read like it (+3)" in best.reasons


def test_a_valve_that_may_be_of_any_decade_speaks_for_none():
    undecided = [readings("731", WINDOW)] * 3
    found = {
        one.reading.detail: one
        for one in ranked("741", [*undecided, chosen("57-31", 1957)], facts=TypeFacts("6N2P"))
        if one.reading.form is Form.YEAR_WEEK
    }
    assert "3 of 4 other valves of the line can be read like it" in found["week 41 of 1967"].reasons
    assert "4 of 4 other valves of the line can be read like it (+1)" in found["week 41 of 1957"].reasons


def test_of_equal_points_the_decade_nearest_to_the_lines_settled_dates_comes_first():
    line = [chosen("901-5731", 1957), chosen("901-5812", 1958)]
    found = ranked("741", line, facts=TypeFacts("6N2P"))
    assert found[0].reading.detail.endswith("1957")
    other = ranked("900741", line, facts=TypeFacts("6N2P"), makers=[])
    assert [one.reading.detail for one in other][:3] == ["week 41 of 1957", "week 41 of 1967", "week 41 of 1947"]


def test_with_nothing_to_tell_the_decades_apart_they_stand_in_order():
    found = ranked("900731", facts=TypeFacts("6N2P"), makers=[])
    assert [one.reading.detail[-4:] for one in found] == ["1947", "1957", "1967", "1977", "1987", "1997"]


def test_another_source_in_the_line_lends_no_support():
    line = [chosen("901-6118", 1961)]
    best = ranked("900118", line)[0]
    assert "0 of 1 other valves of the line can be read like it" in best.reasons


def test_a_valve_of_the_line_that_has_no_reading_is_left_out():
    assert not any("other valves" in reason for reason in ranked("900118", [[]])[0].reasons)


def test_a_date_before_first_registration_falls_behind():
    order = [one.reading.detail for one in ranked("312") if one.reading.form is Form.YEAR_WEEK]
    assert order.index("week 12 of 1953") < order.index("week 12 of 1933")
    early = next(one for one in ranked("312") if one.reading.detail == "week 12 of 1933")
    assert "before 12AX7 was first registered or sold, 1946 (-4)" in early.reasons


def test_a_first_year_in_doubt_counts_against_a_date_only_beyond_the_doubt():
    facts = TypeFacts("EL84", first_registered=1955, doubt_years=2)
    by_detail = {one.reading.detail: one for one in rank(readings("312", WINDOW), facts, [], (), RECEIVED)}
    assert by_detail["week 12 of 1953"].points == 0
    assert (
        "about when EL84 was first registered or sold, about 1955, from memory" in by_detail["week 12 of 1953"].reasons
    )
    assert (
        "before EL84 was first registered or sold, about 1955, from memory (-4)" in by_detail["week 12 of 1943"].reasons
    )
    assert "within the known years of EL84 (+2)" in by_detail["week 12 of 1963"].reasons


def test_a_date_after_the_last_known_year_falls_behind_but_less_far():
    points = {one.reading.detail: one.points for one in ranked("312") if one.reading.form is Form.YEAR_WEEK}
    assert points["week 12 of 1953"] > points["week 12 of 1993"] > points["week 12 of 1933"]


def test_a_source_code_in_the_register_and_its_makers_years_count():
    by_detail = {one.reading.detail: one for one in ranked("900118")}
    assert "source code 900 is in the register: Alder Works (+2)" in by_detail["week 18 of 1961"].reasons
    assert "outside the years the register gives for Alder Works (-2)" in by_detail["week 18 of 1971"].reasons
    assert not any("register" in reason for reason in ranked("955118")[0].reasons)


def test_a_reading_after_receipt_is_last_but_kept():
    found = ranked("900118", received=date(1965, 1, 1))
    assert len(found) == len(readings("900118", WINDOW))
    impossible = [one for one in found if not one.possible]
    assert found[-len(impossible) :] == impossible
    assert "later than the day it was received, 1 Jan 1965" in impossible[0].reasons


def test_nothing_known_of_the_type_counts_neither_way():
    (one,) = ranked("15 JUN 1953", facts=TypeFacts("6N2P"))
    assert (one.points, one.reasons) == (0, ())


def test_equal_points_put_what_is_told_more_finely_first():
    forms = [one.reading.form for one in ranked("A5", facts=TypeFacts("6N2P"))]
    assert Form.MONTH_LETTER in forms and {Form.WEEK_LETTER, Form.HALF_MONTH_LETTER} == set(
        forms[: forms.index(Form.MONTH_LETTER)]
    )


@given(st.from_regex(r"\A[0-9A-Z]{2,7}\Z"), st.randoms(use_true_random=False))
def test_the_order_of_the_readings_given_does_not_matter(code, random):
    found = readings(code, WINDOW)
    shuffled = list(found)
    random.shuffle(shuffled)
    assert rank(found, TYPE, REGISTER, [], RECEIVED) == rank(shuffled, TYPE, REGISTER, [], RECEIVED)


# Warnings


def subjects(assessment: Assessment):
    return [one.subject for one in assessment.disagreements]


def test_marks_that_agree_give_no_warning():
    marks = Marks(
        "Alder Works",
        chosen("900-6118", 1961),
        {"getter": "square", "plates": "ribbed"},
        readings("6/61", WINDOW),
    )
    found = assess(marks, TYPE, REGISTER)
    assert found == Assessment((), ())
    assert found.sentence() == "The marks that could be compared agree."
    assert not found.likely_relabel


def test_a_print_that_is_not_the_codes_makes_a_relabel_likely():
    found = assess(Marks("Alder Works", chosen("901-6118", 1961)), TYPE, REGISTER)
    assert subjects(found) == [Subject.PRINT_AND_CODE]
    assert found.likely_relabel
    assert "the print says Alder Works, but source code 901 is that of Birch & Daughters" in found.sentence()


def test_the_sentence_is_a_likelihood_with_reasons_and_never_a_verdict():
    sentence = assess(Marks("Alder Works", chosen("901-6118", 1961)), TYPE, REGISTER).sentence()
    assert sentence.startswith("A likely re-label: ")
    assert "not that anything is false" in sentence
    for verdict in ("fake", "forged", "forgery", "counterfeit"):
        assert verdict not in sentence.lower()


def test_the_makers_name_may_be_written_in_any_case():
    assert subjects(assess(Marks(" ALDER works ", chosen("901-6118", 1961)), TYPE, REGISTER)) == [
        Subject.PRINT_AND_CODE
    ]


def test_a_code_that_may_be_no_source_at_all_is_not_held_against_the_print():
    # 901 can be a source code, or a week or month of some year.
    assert assess(Marks("Alder Works", readings("901", WINDOW)), TYPE, REGISTER).disagreements == ()


def test_a_code_with_two_possible_sources_is_given_the_benefit_of_either():
    alder_long = MakerFacts("Alder Works", frozenset({"9015"}))
    found = assess(Marks("Alder Works", readings("9015210", WINDOW)), TYPE, [alder_long, BIRCH])
    assert Subject.PRINT_AND_CODE not in subjects(found)


def test_an_unknown_maker_or_code_is_said_and_not_warned_of():
    found = assess(Marks("Cedar Bros", chosen("900-6118", 1961)), TYPE, REGISTER)
    assert (found.disagreements, found.unchecked) == ((), ("Cedar Bros is not in the register",))
    found = assess(Marks("Alder Works", chosen("955-6118", 1961)), TYPE, REGISTER)
    assert (found.disagreements, found.unchecked) == ((), ("source code 955 is not in the register",))


def test_a_construction_the_maker_is_not_known_for_is_warned_of_with_whom_it_fits():
    found = assess(Marks("Alder Works", construction={"getter": "halo", "plates": "smooth"}), TYPE, REGISTER)
    assert subjects(found) == [Subject.CONSTRUCTION_AND_MAKER]
    (warning,) = found.disagreements
    assert "the getter is halo, where Alder Works is known with disc or square" in warning.reason
    assert "the construction agrees with Birch & Daughters" in warning.reason


def test_a_construction_that_fits_nobody_names_nobody():
    found = assess(Marks("Alder Works", construction={"getter": "cup"}), TYPE, REGISTER)
    assert "agrees with" not in found.disagreements[0].reason


def test_a_feature_the_register_does_not_hold_is_not_compared():
    found = assess(Marks("Alder Works", construction={"mica": "round"}), TYPE, REGISTER)
    assert found.disagreements == ()
    assert found.unchecked == ("the register holds no construction of Alder Works for this type",)


def test_a_date_before_first_registration_makes_a_relabel_likely():
    found = assess(Marks(readings=chosen("15 JUN 1940", 1940)), TYPE, REGISTER)
    assert subjects(found) == [Subject.DATE_AND_TYPE]
    assert found.likely_relabel
    assert "15 June 1940 is before 12AX7 was first registered or sold, 1946" in found.sentence()


def test_one_later_reading_is_enough_for_the_benefit_of_the_doubt():
    assert assess(Marks(readings=readings("312", WINDOW)), TYPE, REGISTER).disagreements == ()


def test_a_date_after_the_last_known_year_is_warned_of():
    found = assess(Marks(readings=readings("15 JUN 1990", WINDOW)), TYPE, REGISTER)
    assert subjects(found) == [Subject.DATE_AND_TYPE]


def test_an_unknown_first_registration_is_said():
    found = assess(Marks(readings=readings("15 JUN 1940", WINDOW)), TypeFacts("6N2P"), REGISTER)
    assert (found.disagreements, found.unchecked) == ((), ("the first year of 6N2P is not known",))


@pytest.mark.parametrize(("marked", "warned"), [("15 JUN 1970", True), ("15 JUN 1968", False)])
def test_a_date_outside_the_makers_years_is_a_disagreement_but_no_relabel(marked, warned):
    found = assess(Marks("Alder Works", readings(marked, WINDOW)), TYPE, REGISTER)
    assert (Subject.DATE_AND_MAKER in subjects(found)) is warned
    assert not found.likely_relabel
    assert found.sentence().startswith("The marks do not all agree" if warned else "The marks that could")


def test_a_valve_made_after_its_pack_was_dated_is_a_disagreement():
    marks = Marks(readings=readings("15 JUN 1970", WINDOW), pack_readings=readings("JUN 1953", WINDOW))
    found = assess(marks, TYPE, REGISTER)
    assert subjects(found) == [Subject.DATE_AND_PACK]
    assert "after the pack was dated, June 1953" in found.sentence()


def test_nothing_marked_says_nothing():
    assert assess(Marks(), TYPE, REGISTER) == Assessment((), ())


@given(first=st.integers(1935, 1990), made=st.integers(1930, 1999), doubt=st.integers(0, 5))
def test_a_date_warns_only_when_it_precedes_the_first_year_by_more_than_the_doubt(first, made, doubt):
    facts = TypeFacts("EL84", first_registered=first, doubt_years=doubt)
    found = assess(Marks(readings=readings(f"{made}", WINDOW)), facts, [])
    dated = [one for one in readings(f"{made}", WINDOW) if one.latest]
    latest = max(one.latest.year for one in dated)
    assert bool(found.disagreements) == (latest < first - doubt)
    assert any("too near" in said for said in found.unchecked) == (first - doubt <= latest < first)
