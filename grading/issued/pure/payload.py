"""What of a certificate is signed: everything that it says of the goods, as texts and whole numbers.

The values are those printed, to the digit, so that whoever has the paper can lay the two side by side. Left out are
the pictures, the cautions, the shop's address and who stood at the tester.
"""

from __future__ import annotations

from typing import Any

from grading.metrology import uncertainty
from grading.metrology.quantities import Quantity, capitalised
from grading.papers.pure.certificate import CertificateData, CertifiedSpread, CertifiedValve, Nominal
from grading.verdicts.pure.graded import GradedSection, GradedValue
from stockroom.pure.written import MINUS, plain

FORM = "certificate of measurement, form 1"


def payload_of(data: CertificateData, *, number: str, page: str, kid: str) -> dict[str, Any]:
    """`page` is the full address of the certificate's page, or nothing where the shop has no address on the web."""
    said = {
        "form": FORM,
        "certificate": number,
        "issued_on": data.issued_on.isoformat(),
        "key": kid,
        "page": page,
        "shop": data.shop,
        "notice": data.notice,
        "of": data.number,
        "name": data.name,
        "type": data.type,
        "kind": data.kind,
        "made_up_on" if data.is_set else "graded_on": data.made_on.isoformat(),
        "matched_within_percent": "" if data.tolerance_percent is None else _number(data.tolerance_percent),
        "policy": data.policy,
        "valves": [_valve(member) for member in data.members],
        "spreads": [_spread(row) for row in data.spreads],
        "settings": [_setting(nominal) for nominal in data.nominals],
        "read_on": [
            {"tester": row.tester, "first": row.first.isoformat(), "last": row.last.isoformat()}
            for row in data.measured
        ],
        "reasons": list(data.reasons),
        "says": [{"label": row.label, "text": f"{row.text} {capitalised(row.policy)}"} for row in data.said],
        "notes": list(data.notes),
    }
    return {name: _one_line(value) for name, value in said.items() if value not in ("", [])}


def without_occasion(payload: dict[str, Any]) -> dict[str, Any]:
    """What is certified, whenever and under whichever number: two that agree in it say the same of the goods."""
    return {k: v for k, v in payload.items() if k not in ("certificate", "issued_on", "key", "page")}


def _valve(member: CertifiedValve) -> dict[str, Any]:
    return {
        "serial": member.serial,
        "grade": member.grade,
        "sections": [_section(section) for section in member.results],
    }


def _section(section: GradedSection) -> dict[str, Any]:
    said: dict[str, Any] = {
        "section": section.section,
        "values": [_value(quantity, value) for quantity, value in section.values.items()],
        "faults": [
            {"quantity": quantity.short, "unit": quantity.unit, "value": _number(value)}
            for quantity, value in section.faults.items()
        ],
        "noise": section.noise,
        "shorts": section.shorts,
        "not_tested": list(section.untested),
    }
    return {name: value for name, value in said.items() if value not in ("", [])}


def _value(quantity: Quantity, value: GradedValue) -> dict[str, Any]:
    """`expanded_uncertainty` is half the interval of about 95 %, and missing where none is stated."""
    said: dict[str, Any] = {"quantity": quantity.symbol, "unit": quantity.unit, "readings": value.readings}
    if value.expanded_uncertainty:
        said["value"], said["expanded_uncertainty"] = uncertainty.state(value.value, value.expanded_uncertainty)
    else:
        said["value"] = _number(value.value, 4)
    if value.nominal is not None:
        said["nominal"] = _number(value.nominal)
    return said


def _spread(row: CertifiedSpread) -> dict[str, Any]:
    said: dict[str, Any] = {
        "quantity": row.quantity.symbol,
        "section": row.section,
        "spread_percent": f"{100 * row.spread:.2f}",
    }
    if row.expanded_uncertainty is not None:
        said["expanded_uncertainty_percent"] = f"{100 * row.expanded_uncertainty:.2f}"
    if row.probability is not None:
        said["probability_percent"] = "> 99.9" if row.probability > 0.999 else f"{100 * row.probability:.1f}"
    return said


def _setting(nominal: Nominal) -> dict[str, Any]:
    return {"section": nominal.section, "at": nominal.conditions, "source": nominal.source}


def _number(value: float, most: int | None = None) -> str:
    return plain(value, most).replace(MINUS, "-")


def _one_line(value: Any) -> Any:
    """What somebody typed over several lines, as one: a signed text has no control characters."""
    if isinstance(value, str):
        return " ".join(value.split())
    if isinstance(value, list):
        return [_one_line(inner) for inner in value]
    if isinstance(value, dict):
        return {name: _one_line(inner) for name, inner in value.items()}
    return value
