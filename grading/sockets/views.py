"""What else runs in this socket: positions, kept and asked about; one candidate in full; the answer on paper."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_POST

from catalog.fitting import sheet_of
from catalog.models import KeptPosition, ValveType
from catalog.physics.advice import advise, assumed_position
from catalog.physics.findings import SAFETY
from catalog.physics.positions import Position
from grading.sockets.answering import Answered, InFull, answer, in_full, sentences
from grading.sockets.forms import DoesItGoForm, WhichPositionForm, form_for, suits
from grading.sockets.pure.paper import PaperRow, PositionPaper, position_pdf
from grading.sockets.pure.wording import position_rows
from stockroom.models import Entry, Shop, Valve
from stockroom.site.pdf import pdf_response
from stockroom.site.people import StaffRequest


def positions(request: HttpRequest) -> HttpResponse:
    """What was described, the examples, and the two questions with which anybody begins."""
    begun = {"type": request.GET.get("type", ""), "role": request.GET.get("role") or "common cathode"}
    which = WhichPositionForm(request.GET if "role" in request.GET else None, initial=begun)
    if which.is_bound and which.is_valid():
        type_, role = which.cleaned_data["type"], which.cleaned_data["role"]
        if suits(role, type_):
            return redirect(f"{reverse('position-new')}?{urlencode({'type': type_.designation, 'role': role})}")
        which.add_error("role", f"The {type_} is a {type_.kind}; it cannot do this.")
    kept = KeptPosition.objects.select_related("made_for", "described_by")
    return render(
        request,
        "sockets/positions.html",
        {
            "which": which,
            "ask": DoesItGoForm(),
            "kept": [one for one in kept if not one.is_example],
            "examples": [one for one in kept if one.is_example],
        },
    )


def _whole(designation: str) -> ValveType:
    named = ValveType.objects.named(designation).first()
    if named is None:
        raise Http404(f"No valve type is called {designation}.")
    return ValveType.objects.with_sheets().get(pk=named.pk)


def position_new(request: StaffRequest) -> HttpResponse:
    made_for = _whole(request.GET.get("type", ""))
    role = request.GET.get("role", "")
    return _describe(request, made_for, role, None)


def position_edit(request: StaffRequest, pk: int) -> HttpResponse:
    """An example stays as it is: changing it keeps a position of one's own."""
    kept = get_object_or_404(KeptPosition.objects.select_related("made_for"), pk=pk)
    return _describe(request, _whole(kept.made_for.designation), kept.role, kept)


def _describe(request: StaffRequest, made_for: ValveType, role: str, kept: KeptPosition | None) -> HttpResponse:
    form = form_for(role)(request.POST or None, type=made_for, role=role, kept=kept)
    if kept and kept.is_example and not form.is_bound:
        form.initial["name"] = f"{kept.name} (ours)"
    if form.is_valid():
        mine = kept if kept and not kept.is_example else KeptPosition(made_for=made_for)
        mine.name, mine.note, mine.described_by = form.cleaned_data["name"], form.cleaned_data["note"], request.user
        mine.describe(form.position)
        mine.save()
        Entry.write(request.user, "position", f"Described the position “{mine}”, made for a {made_for}")
        messages.success(request, f"“{mine}” is kept.")
        return redirect(mine)
    back = kept.get_absolute_url() if kept else reverse("positions")
    return render(
        request,
        "sockets/position_form.html",
        {"form": form, "type": made_for, "role": role, "kept": kept, "back": back},
    )


@require_POST
def position_forget(request: StaffRequest, pk: int) -> HttpResponse:
    kept = get_object_or_404(KeptPosition, pk=pk, is_example=False)
    Entry.write(request.user, "position", f"Forgot the position “{kept}”")
    kept.delete()
    messages.success(request, f"“{kept}” is forgotten.")
    return redirect("positions")


def position(request: HttpRequest, pk: int) -> HttpResponse:
    kept = get_object_or_404(KeptPosition.objects.select_related("made_for", "described_by"), pk=pk)
    return _answer(request, kept.position, _whole(kept.made_for.designation), kept)


def socket(request: HttpRequest, name: str) -> HttpResponse:
    """Without a position: by the sheets alone, which says less and says so."""
    made_for = _whole(name)
    if made_for.designation != name:
        return redirect("socket", made_for.designation)
    return _answer(request, assumed_position(sheet_of(made_for)), made_for, None)


def _answer(request: HttpRequest, position: Position, made_for: ValveType, kept: KeptPosition | None) -> HttpResponse:
    full, original = _asked(request, position, made_for), sheet_of(made_for)
    if "paper" in request.GET:
        return _paper(answer(position, made_for), kept, full)
    return render(
        request,
        "sockets/answer.html",
        {
            "answered": answer(position, made_for),
            "kept": kept,
            "type": made_for,
            "told": [] if position.assumed else position_rows(position),
            "full": full,
            "itself": advise(position, original, original),
            "asked": request.GET.get("with", ""),
            "others_kept": made_for.positions.exclude(pk=kept.pk if kept and kept.pk else 0),
            "safety": SAFETY,
        },
    )


def _asked(request: HttpRequest, position: Position, made_for: ValveType) -> InFull | None:
    """`?with=` names the candidate to show in full, or a valve's serial."""
    text = request.GET.get("with", "").strip()
    if not text:
        return None
    valve = Valve.objects.select_related("type").filter(serial=text).first()
    named = valve.type if valve else ValveType.objects.named(text).first()
    if named is None:
        messages.error(request, f"No valve type is called “{text}”, and no valve has such a serial.")
        return None
    return in_full(position, made_for, ValveType.objects.with_sheets().get(pk=named.pk), valve)


def does_it_go(request: HttpRequest) -> HttpResponse:
    """`?other=` and `?type=`: one question, one sentence for each position that is known."""
    form = DoesItGoForm(request.GET or None)
    told: Sequence[Any] = []
    types: dict[str, ValveType] = {}
    if form.is_valid():
        types = {name: ValveType.objects.with_sheets().get(pk=form.cleaned_data[name].pk) for name in ("type", "other")}
        told = sentences(types["type"], types["other"], types["type"].positions.select_related("made_for"))
    return render(request, "sockets/does_it_go.html", {"form": form, "told": told, "safety": SAFETY, **types})


def _paper(answered: Answered, kept: KeptPosition | None, full: InFull | None) -> HttpResponse:
    shop = Shop.own()
    name = str(kept) if kept else f"{answered.made_for}, by the sheets alone"
    rows = [
        PaperRow(str(row.type), table, row.stock.in_words, "; ".join(row.decisive) or row.notes)
        for table, found in (("drops in", answered.drops_in), ("with a change", answered.with_change))
        for row in found
    ]
    content = position_pdf(
        PositionPaper(
            shop=shop.name,
            title=name,
            made_for=str(answered.made_for),
            position=[] if answered.position.assumed else position_rows(answered.position),
            rows=rows,
            question=full.question if full else "",
            sentence=full.advice.in_one_sentence if full else "",
            margins=[(m.name, m.in_words) for m in full.advice.margins] if full else [],
            effects=full.effects if full else [],
            plot=full.plot if full else None,
            safety=SAFETY,
            printed_on=timezone.localdate(),
        )
    )
    return pdf_response(content, f"socket-{answered.made_for.designation}")


urlpatterns = [
    path("sockets/", positions, name="positions"),
    path("sockets/ask/", does_it_go, name="does-it-go"),
    path("sockets/new/", position_new, name="position-new"),
    path("sockets/<int:pk>/", position, name="position"),
    path("sockets/<int:pk>/change/", position_edit, name="position-edit"),
    path("sockets/<int:pk>/forget/", position_forget, name="position-forget"),
    path("sockets/of/<path:name>/", socket, name="socket"),
]
