"""The demonstration shop: what is in it, and that it says it is invented."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from datetime import date
from io import StringIO
from statistics import correlation, mean, stdev
from typing import NamedTuple

import pytest
from django.contrib.auth import authenticate
from django.contrib.auth.models import Group, User
from django.core.management import call_command
from django.db import transaction
from django.db.models import QuerySet
from django.http import HttpRequest
from django.test import Client
from django.urls import resolve

from grading import demo
from grading.claims.gathered import claim_paper_data
from grading.claims.pure.claim_pdf import claim_pdf
from grading.demo import drawings
from grading.models import (
    Grade,
    HouseNominal,
    MatchedSet,
    Member,
    Policy,
    Quantity,
    Reading,
    ReferenceCheck,
    ReferenceValve,
    Stop,
    Study,
    StudyReading,
    Tester,
    TesterCondition,
)
from grading.orders import candidates
from grading.papers.certificates import certificate_data
from grading.papers.pure.certificate import certificate_pdf
from grading.sealed import orders, results
from grading.sets.making import figures
from grading.testers import house_nominals, records, reference_checks, studies
from grading.testers.records import BasisKind, CalibrationState
from grading.verdicts.values import claim
from stockroom.marks import identity
from stockroom.models import (
    Allocation,
    Attachment,
    Claim,
    DateReading,
    Entry,
    Line,
    Listing,
    Lot,
    Maker,
    MarkWarning,
    Order,
    Photograph,
    Return,
    SamplingPlan,
    SealedDecision,
    Shop,
    SourceCode,
    Valve,
)
from stockroom.receiving import booking
from stockroom.sealed import pack_dates
from stockroom.sealed.pure import sampling
from stockroom.site.people import Role
from stockroom.states import State
from tests.pdfs import read_pdf

DAY = date(2024, 5, 31)


def told() -> QuerySet[Entry]:
    """All but that a certificate was signed, which is done by the true date with a key that nobody knows beforehand."""
    return Entry.objects.exclude(action__in=["key-begun", "certified"])


class Made(NamedTuple):
    said: str
    first: list[tuple[object, ...]]
    again: list[tuple[object, ...]]


@pytest.fixture(scope="module")
def shop(django_db_setup: None, django_db_blocker) -> Iterator[Made]:
    """The shop as the command makes it, for the whole module: made once, undone, and made again."""
    with django_db_blocker.unblock(), transaction.atomic():
        with transaction.atomic():
            call_command("demo", date=DAY, stdout=StringIO())
            first = _contents()
            transaction.set_rollback(True)
        said = StringIO()
        call_command("demo", date=DAY, stdout=said)
        yield Made(said.getvalue(), first, _contents())
        transaction.set_rollback(True)


def _contents() -> list[tuple[object, ...]]:
    return [
        *Valve.objects.order_by("serial").values_list("serial", "type__designation", "state", "created_at"),
        *Reading.objects.order_by("taken_at", "valve__serial", "section").values_list(
            "valve__serial", "section", "anode_current_ma", "gm_ma_per_v", "taken_at"
        ),
        *Grade.objects.order_by("valve__serial", "given_at").values_list("valve__serial", "name", "given_at"),
        *StudyReading.objects.order_by("taken_at", "study__started_at").values_list("taken_at", "value"),
        *ReferenceCheck.objects.order_by("taken_at", "shift__tester__name").values_list("taken_at", "value"),
        *DateReading.objects.order_by("valve__serial", "at").values_list("valve__serial", "code", "detail", "at"),
        *MarkWarning.objects.order_by("valve__serial", "reason").values_list("reason", "raised_at", "dismissed_at"),
        *SamplingPlan.objects.values_list("seed", "sample_size", "made_at"),
        *SealedDecision.objects.values_list("action", "tested", "failed", "at"),
        *Photograph.objects.order_by("sha256").values_list("sha256", "state", "first_sent_at"),
        *Member.objects.order_by("valve__serial").values_list("set__number", "valve__serial", "set__made_at"),
        # A study is named by its key in the database, which PostgreSQL never gives twice.
        *sorted((at, re.sub(r"[Ss]tudy \d+", "study", text)) for at, text in told().values_list("at", "text")),
    ]


def lot_of_pieces(count: int) -> Lot:
    return next(lot for lot in Lot.objects.all() if sum(line.pieces for line in lot.lines.all()) == count)


def test_it_says_that_it_is_invented_and_how_to_log_in(shop: Made, db: None) -> None:
    assert demo.NOTICE in shop.said
    for role in Role:
        assert role in shop.said
        client = Client()
        assert authenticate(HttpRequest(), username=role.value, password=demo.PASSWORD)
        client.force_login(User.objects.get(username=role.value))
        page = client.get("/")
        assert page.status_code == 200
        assert demo.NOTICE in page.content.decode()
        assert User.objects.get(username=role.value).groups.get() == Group.objects.get(name=role.value)
    assert demo.PASSWORD in shop.said


def test_one_lot_has_240_new_valves_and_the_other_60_used_ones(shop: Made, db: None) -> None:
    new, used = lot_of_pieces(240), lot_of_pieces(60)
    assert {line.condition for line in used.lines.all()} == {Line.Condition.USED}
    assert Line.Condition.USED not in {line.condition for line in new.lines.all()}
    assert new.supplier.currency != Shop.own().currency
    assert new.lines.values("type").distinct().count() >= 3


def test_the_counts_differ_a_little_from_what_was_expected(shop: Made, db: None) -> None:
    differences = [line.discrepancy for line in Line.objects.filter(lot__claims=None)]
    assert None not in differences
    assert {-1, 0, 1} == set(differences)


def test_the_cost_of_each_lot_is_shared_to_the_penny(shop: Made, db: None) -> None:
    from stockroom.receiving.booking import cost_of

    for lot in Lot.objects.all():
        cost = cost_of(lot, "GBP")
        assert cost > 0
        assert sum(line.cost for line in lot.lines.all()) == cost
        pieces = [line.cost_of(place, "GBP") for line in lot.lines.all() for place in range(line.pieces)]
        assert sum(pieces) == cost


def test_some_pieces_are_in_bulk_and_some_valves_untested(shop: Made, db: None) -> None:
    assert any(line.pieces > line.valves.count() for line in Line.objects.all())
    untested = Valve.objects.filter(readings=None, state=State.RECEIVED).count()
    assert 0 < untested < 20


def test_most_valves_are_graded_by_readings_of_every_section(shop: Made, db: None) -> None:
    graded = Grade.objects.filter(current=True).count()
    assert graded > 0.85 * Valve.objects.count()
    by_figures = Grade.objects.filter(current=True).exclude(measured=[])
    assert {grade.name for grade in by_figures} == {"Excellent", "Good", "Usable", "Unfit"}


def test_new_valves_spread_about_their_nominals_as_the_trade_finds(shop: Made, db: None) -> None:
    shares: dict[str, list[float]] = {"anode_current_ma": [], "gm_ma_per_v": []}  # logarithms
    halves: dict[int, list[float]] = {}
    for grade in Grade.objects.filter(current=True, valve__line__lot=lot_of_pieces(240)):
        for row in grade.measured:  # each beside what it is compared with, at its own conditions
            shares[row["quantity"]].append(math.log(row["value"] / row["nominal"]))
            if row["quantity"] == "anode_current_ma":
                halves.setdefault(grade.valve_id, []).append(shares[row["quantity"]][-1])
    logs_ia, logs_gm = shares["anode_current_ma"], shares["gm_ma_per_v"]
    assert len(logs_ia) > 300
    assert abs(mean(logs_ia)) < 0.05 and abs(mean(logs_gm)) < 0.05
    assert 0.07 < stdev(logs_ia) < 0.15
    assert 0.06 < stdev(logs_gm) < 0.13
    assert 0.4 < correlation(logs_ia, logs_gm) < 0.85
    first, second = zip(*[pair for pair in halves.values() if len(pair) == 2], strict=True)
    assert correlation(first, second) > 0.4


def test_used_valves_are_weaker_than_new_ones(shop: Made, db: None) -> None:
    def share(lot: Lot) -> float:
        rows = Reading.objects.filter(valve__line__lot=lot, shorted=False).select_related("test_point")
        return mean(row.anode_current_ma / row.test_point.anode_current_ma for row in rows if row.anode_current_ma)

    assert share(lot_of_pieces(60)) < share(lot_of_pieces(240)) - 0.05


def test_there_are_shorts_leakage_weak_sections_noise_and_a_corrected_slip(shop: Made, db: None) -> None:
    assert Reading.objects.filter(shorted=True).exclude(short_between="").count() >= 2
    assert Reading.objects.filter(heater_cathode_leakage_ua__gt=20).exists()
    assert Reading.objects.filter(noise=Reading.Noise.NOISY).exists()
    assert any(
        reading.gm_ma_per_v
        and reading.test_point.gm_ma_per_v
        and reading.gm_ma_per_v < 0.7 * reading.test_point.gm_ma_per_v
        for reading in Reading.objects.filter(valve__line__lot=lot_of_pieces(240)).select_related("test_point")
    )
    correction = Reading.objects.exclude(supersedes=None).get()
    assert correction.reason
    assert correction.supersedes is not None and correction.supersedes.gm_ma_per_v != correction.gm_ma_per_v
    assert correction.taken_at == correction.supersedes.taken_at  # it says what the meter showed then
    assert Entry.objects.filter(valve=correction.valve, action="reading-corrected").exists()
    grade = Grade.objects.get(valve=correction.valve, current=True)
    assert correction in grade.readings.all() and correction.supersedes not in grade.readings.all()


def test_two_matched_quads_are_made_and_some_pairs(shop: Made, db: None) -> None:
    quads = MatchedSet.objects.live().filter(size=4)
    assert quads.count() == 2
    assert {quad.type.designation for quad in quads} == {"EL84"}
    assert MatchedSet.objects.live().filter(size=2).count() >= 3
    assert Member.objects.filter(live=True).values("valve").distinct().count() == Member.objects.count()


def test_one_order_waits_to_be_pulled_one_is_open_and_one_was_sent(shop: Made, db: None) -> None:
    of_tested = Order.objects.exclude(lines__sealed=True)
    assert sorted(of_tested.values_list("state", flat=True)) == ["despatched", "open", "reserved"]
    waiting = of_tested.get(state=Order.State.RESERVED)
    assert Allocation.objects.filter(order_line__order=waiting, live=True, pulled_at=None).count() == 4
    assert Order.objects.get(state=Order.State.OPEN).despatches.count() == 1, "a first parcel has left"
    open_line = Order.objects.get(state=Order.State.OPEN).lines.first()
    assert open_line is not None and candidates.options(open_line)  # something in stock meets it


def test_a_valve_came_back_and_waits_for_the_bench(shop: Made, db: None) -> None:
    back = Return.objects.get()
    assert back.valve.state == State.RECEIVED
    assert not Grade.objects.filter(valve=back.valve, current=True).exists()


def test_a_set_and_a_single_are_before_the_public(shop: Made, db: None) -> None:
    sizes = [listing.listed.count() for listing in Listing.objects.for_public_display()]
    assert 1 in sizes and 4 in sizes
    assert Client().get("/for-sale/").status_code == 200


def test_a_sealed_lot_was_accepted_on_its_sample_and_is_sold_unopened(shop: Made, db: None) -> None:
    plan = SamplingPlan.objects.get()
    assert plan.method == SamplingPlan.Method.ISO and plan.returnable_until is not None
    assert [one.number for one in plan.drawn.order_by("order")] == sampling.draw(80, plan.sample_size, plan.seed)
    found = results.results(plan)
    assert found.decision.outcome == sampling.LotOutcome.ACCEPT and found.failed == 1 and found.outside == []
    (decided,) = plan.decisions.all()
    assert decided.action == SealedDecision.Action.ACCEPT and plan.made_at < decided.at
    assert decided.at.date() < DAY and plan.made_at.date() < DAY
    packing = plan.line.packing
    saved = pack_dates.current(packing)
    assert saved is not None and saved.words and len(saved.alternatives) > 1
    listed = Listing.objects.for_public_display().filter(listed__valve__pack__plan=plan).distinct().get()
    assert "sealed and sample-tested, not tested" in listed.title and listed.listed.count() == 2
    order = Order.objects.get(lines__sealed=True)
    (held,) = Allocation.objects.filter(order_line__order=order, live=True)
    assert order.state == Order.State.RESERVED and not held.valve.pack.opened
    (said,) = orders.statements(order)
    assert said.why_not == "" and plan.basis in said.sentence


def the_good() -> Tester:
    """The one that the quads were read on."""
    return Tester.objects.filter(shifts__readings__grades__memberships__set__size=4).distinct().get()


def test_the_good_tester_is_calibrated_and_studied_before_the_readings_that_rest_on_it(shop: Made, db: None) -> None:
    good = the_good()
    assert records.calibration_state(good, DAY) == CalibrationState.CURRENT
    first = Reading.objects.filter(shift__tester=good).earliest("taken_at").taken_at
    record = records.record_of(good, first.date())
    for quantity in (Quantity.ANODE_CURRENT, Quantity.GM):
        assert record.known(quantity, 10.0).wanting == ()
        repeats = record.repeats(quantity, 48.0 if quantity == Quantity.ANODE_CURRENT else 11.0)
        assert repeats is not None
        assert 0.0025 < repeats.standard_deviation / repeats.at < 0.0045
        assert repeats.study.finished_at is not None and repeats.study.finished_at < first
        assert repeats.study.valves.count() == 8 and repeats.study.operators.count() == 2
    assert {Quantity.LEAKAGE, Quantity.GRID_CURRENT} < set(record.capabilities)


def test_the_certificate_of_a_quad_states_each_spread_with_its_expanded_uncertainty(shop: Made, db: None) -> None:
    wanted = Policy.current().parsed.match_probability
    assert wanted == 0.95
    for quad in MatchedSet.objects.filter(size=4):
        assert quad.tolerance_percent == 5
        rows = figures([member.grade for member in quad.members.select_related("grade")]).rows.values()
        for values in zip(*rows, strict=True):
            decision = claim(values, 0.05, wanted)
            assert decision is not None and decision.conformance_probability >= wanted
        data = certificate_data(quad, DAY)
        assert not [row for row in data.said if row.label == "Not stated"]
        assert [spread.quantity.symbol for spread in data.spreads] == ["Ia", "gm"]
        text = read_pdf(certificate_pdf(data))[0]
        for spread in data.spreads:
            assert spread.expanded_uncertainty is not None and 0.005 < spread.expanded_uncertainty < 0.02
            assert f"{100 * spread.spread:.2f} ± {100 * spread.expanded_uncertainty:.2f} %" in text


def test_a_tester_drifts_until_its_chart_stops_it(shop: Made, db: None) -> None:
    stop = Stop.objects.get()
    drifting = stop.tester
    assert stop.cleared_at is None and drifting != the_good()
    assert reference_checks.may_grade(drifting)[0] is False
    assert records.calibration_state(drifting, DAY) == CalibrationState.OVERDUE
    assert 0 < (DAY - stop.opened_at.date()).days < 10
    chart = reference_checks.chart_of(ReferenceValve.objects.get(tester=drifting), drifting)
    assert not chart.in_control
    assert chart.checks[-1] == stop.check_made  # nobody goes on at a stopped tester
    assert chart.outside_baseline == []
    assert any(rule.key == "EWMA" for rule, _, _ in chart.broken)  # a drift, not one bad reading


def test_what_was_read_since_the_last_good_check_is_for_review(shop: Made, db: None) -> None:
    stop = Stop.objects.get()
    for_review = list(reference_checks.under_review(stop))
    assert len(for_review) >= 10
    for reading in for_review:
        assert stop.suspect_since < reading.taken_at < stop.opened_at
        assert reading.shift.tester_id == stop.tester_id
    assert Reading.objects.filter(shift__tester=stop.tester, taken_at__lt=stop.suspect_since).exists()
    assert not Reading.objects.filter(shift__tester=stop.tester, taken_at__gt=stop.opened_at).exists()


def test_the_good_testers_reference_valve_stays_in_control(shop: Made, db: None) -> None:
    good = the_good()
    chart = reference_checks.chart_of(ReferenceValve.objects.get(tester=good), good)
    assert chart.assessment is not None and chart.in_control and not chart.problem
    assert len(chart.checks) >= 20
    assert len(chart.checks) > chart.size  # the rules have had something to judge
    assert reference_checks.may_grade(good)[0]


def test_a_scale_passes_and_fails_used_valves_and_claims_no_figure(shop: Made, db: None) -> None:
    scale = next(tester for tester in Tester.objects.all() if tester.is_scale_only)
    grades = Grade.objects.filter(current=True, readings__shift__tester=scale).distinct()
    assert {grade.name for grade in grades} == {"Passed on scale", "Unfit"}
    for grade in grades:
        assert grade.valve.line.condition == Line.Condition.USED
        assert grade.measured == []


def test_a_tester_with_its_own_conditions_is_judged_beside_a_house_nominal(shop: Made, db: None) -> None:
    conditions = TesterCondition.objects.all()
    assert {condition.judged_by for condition in conditions} == {TesterCondition.JudgedBy.HOUSE}
    for condition in conditions:
        for quantity in (Quantity.ANODE_CURRENT, Quantity.GM):
            nominal = house_nominals.nominal_for(condition.tester, condition.test_point, quantity, condition)
            assert nominal is not None and nominal.count >= house_nominals.FEWEST
            assert set(nominal.readings.values_list("shift__tester", flat=True)) == {condition.tester_id}
    measured = [row for grade in Grade.objects.filter(current=True) for row in grade.measured]
    judged = [row for row in measured if row["kind"] == BasisKind.HOUSE]
    assert len(judged) >= 40  # ten valves of two sections and two quantities
    assert all("known-good NOS valves of ours" in row["basis"] for row in judged)
    assert all(
        nominal.learnt_at <= grade.given_at
        for nominal in HouseNominal.objects.all()
        for grade in Grade.objects.filter(readings__in=nominal.readings.all())
    )


def test_a_handful_of_grades_are_too_close_to_call(shop: Made, db: None) -> None:
    close = Grade.objects.filter(current=True, too_close=True)
    assert 5 <= close.count() <= 80
    assert all("too close to call" in " ".join(grade.reasons) for grade in close)
    assert any(grade.more_readings for grade in close)


def test_a_study_waits_for_the_owner(shop: Made, db: None) -> None:
    waiting = Study.objects.get(finished_at=None)
    left = {share.operator.username: share.left for share in studies.progress_of(waiting)}
    assert left["bench"] == 0 and left["owner"] > 0


def test_everything_happened_in_the_weeks_before_the_day(shop: Made, db: None) -> None:
    days = {entry.at.date() for entry in told()}
    days |= {reading.taken_at.date() for reading in Reading.objects.all()}
    days |= {grade.given_at.date() for grade in Grade.objects.all()}
    days |= {check.taken_at.date() for check in ReferenceCheck.objects.all()}
    days |= {reading.taken_at.date() for reading in StudyReading.objects.all()}
    days |= {condition.since.date() for condition in TesterCondition.objects.all()}
    days |= {nominal.learnt_at.date() for nominal in HouseNominal.objects.all()}
    days |= {study.finished_at.date() for study in Study.objects.all() if study.finished_at}
    assert max(days) < DAY
    assert (DAY - min(days)).days < 60
    assert len(days) > 12
    for reading in Reading.objects.select_related("shift", "valve__line__lot"):
        assert reading.shift.ended_at is not None
        assert reading.shift.started_at <= reading.taken_at <= reading.shift.ended_at
        assert reading.valve.created_at < reading.taken_at
        assert reading.valve.line.lot.received_on < reading.taken_at.date()


def test_the_stored_states_agree_with_the_records(shop: Made, db: None) -> None:
    call_command("check_states", stdout=StringIO())


def test_a_second_time_it_is_left_as_it_is(shop: Made, db: None) -> None:
    before = (Valve.objects.count(), Entry.objects.count(), User.objects.count())
    said = StringIO()
    call_command("demo", date=DAY, stdout=said)
    assert "there already" in said.getvalue()
    assert demo.PASSWORD in said.getvalue()
    assert (Valve.objects.count(), Entry.objects.count(), User.objects.count()) == before


def test_more_valves_are_added_tested_and_graded(shop: Made, db: None) -> None:
    said = StringIO()
    call_command("demo", date=DAY, valves=77, stdout=said)
    lot = lot_of_pieces(77)
    assert str(lot) in said.getvalue()
    assert Valve.objects.filter(line__lot=lot).exclude(state=State.GRADED).count() == 0
    assert Grade.objects.filter(valve__line__lot=lot, current=True).count() == 77
    assert lot.state == State.GRADED
    call_command("check_states", stdout=StringIO())


def test_the_same_day_gives_the_same_shop(shop: Made, db: None) -> None:
    assert len(shop.first) > 1000
    assert shop.again == shop.first


# A delivery that was not as it should be


def test_one_delivery_is_short_over_of_a_wrong_type_and_broken_and_its_claim_lowered_its_cost(
    shop: Made, db: None
) -> None:
    claim = Claim.objects.get()
    assert {row.kind for row in claim.rows.all()} == {"short", "over", "wrong type", "broken"}
    assert claim.state == "credited" and claim.lot.supplier.currency == claim.currency != "GBP"
    agreed, credit = claim.steps.get(kind="agreed"), claim.credits.get()
    assert agreed.amount == credit.amount < claim.amount
    shares = [entry.text for entry in Entry.objects.filter(lot=claim.lot, action="cost-shared").order_by("at", "pk")]
    charged = sum(booking.in_home(charge, "GBP") for charge in claim.lot.charges.all())
    assert shares[0].startswith(f"Cost GBP\N{NO-BREAK SPACE}{charged} ")
    assert shares[-1].startswith(f"Cost GBP\N{NO-BREAK SPACE}{charged - booking.in_home(credit, 'GBP')} ")
    assert all(claim.made_at < step.at for step in claim.steps.all())


def test_the_claim_sheet_shows_drawings_of_what_is_wrong(shop: Made, db: None) -> None:
    pdf = claim_pdf(claim_paper_data(Claim.objects.get(), DAY))
    assert "five broken EL84.jpg, of line 4" in " ".join(" ".join(read_pdf(pdf)).split())
    assert not Photograph.objects.exclude(state="ready").exists() and Photograph.objects.count() >= 5


# What the glass says


def test_some_codes_are_read_and_keep_their_other_readings(shop: Made, db: None) -> None:
    read = DateReading.objects.filter(current=True)
    chosen = [one for one in read if one.reading]
    assert len(chosen) >= 4 and any(not one.reading for one in read)
    assert all(len(one.alternatives) >= 1 for one in chosen) and any(len(one.alternatives) > 5 for one in chosen)
    makers = set(Maker.objects.values_list("name", flat=True))
    assert makers == set(SourceCode.objects.values_list("maker__name", flat=True))


def test_a_few_valves_are_likely_relabels_with_reasons_and_one_warning_is_dismissed(shop: Made, db: None) -> None:
    warnings = MarkWarning.objects.open()
    assert {one.subject for one in warnings} == {"print and code", "construction and maker", "date and type"}
    assert warnings.values("valve").distinct().count() == 3
    valve = warnings.filter(subject="construction and maker").get().valve
    sentence = identity.marks_of(valve).sentence
    assert sentence.startswith("A likely re-label: ") and sentence.endswith("not that anything is false.")
    assert "the construction agrees with Skarnholt" in sentence and valve.photographs.count() == 1
    dismissed = MarkWarning.objects.exclude(dismissed_at=None).get()
    assert dismissed.dismissed_because and dismissed.dismissed_at is not None
    assert dismissed.raised_at <= dismissed.dismissed_at


def test_a_buyer_sees_a_drawing_of_a_valve_that_is_for_sale(shop: Made, db: None) -> None:
    public = Attachment.objects.for_public_display().get()
    listing = Listing.objects.get(listed__valve=public.valve)
    page = Client().get(listing.get_absolute_url()).content.decode()
    assert "public-photograph" in page or "/for-sale/photographs/" in page


def test_the_drawings_are_the_same_every_time() -> None:
    assert drawings.jpeg(3, "EL84", [1]) == drawings.jpeg(3, "EL84", [1]) != drawings.jpeg(3, "EL84")


# Pages

BEGIN_AT = [
    "/",
    "/office/",
    "/lots/",
    "/lots/L0001/",
    "/lots/L0003/",
    "/lots/L0003/discrepancies/",
    "/lots/L0001/1/marks/",
    "/valves/",
    "/warnings/",
    "/claims/",
    "/claims/C0001/",
    "/makers/",
    "/photographs/?lot=L0003",
    "/suppliers/",
    "/orders/",
    "/sets/",
    "/listings/",
    "/types/",
    "/testers/",
    "/places/",
    "/customers/",
    "/daybook/",
]


@pytest.mark.parametrize("role", [role.value for role in Role])
def test_no_page_offers_what_its_reader_may_not_open(shop: Made, db: None, role: str) -> None:
    client = Client()
    client.force_login(User.objects.get(username=role))
    warned = MarkWarning.objects.open().first()
    assert warned is not None
    asked: set[str] = set()
    for page in [*BEGIN_AT, warned.valve.get_absolute_url()]:
        answer = client.get(page)
        assert answer.status_code == 200, page
        for address in re.findall(r'(?:href|action)="(/[^"]*)"', answer.content.decode()):
            path = address.partition("?")[0]
            if path.startswith("/static/"):
                continue
            name = resolve(path).url_name
            if name not in asked and not path.endswith(".pdf") and name != "logout":
                asked.add(name)
                # A form's address that takes no GET says so only to those who may use it.
                assert client.get(address).status_code in (200, 302, 405), f"{address} on {page}"
    assert len(asked) > 30
