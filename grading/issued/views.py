"""Pages of certificates: issuing one, its public page and saved copy, the keys, and what the owner does with keys."""

from __future__ import annotations

import json
from datetime import date

import django_filters
from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from grading.issued import issuing, keys
from grading.issued.pure import signing
from grading.issued.validity import validity_of
from grading.models import IssuedCertificate, MatchedSet, SigningKey, Withdrawal
from grading.papers.certificates import CannotCertify
from stockroom.models import Valve
from stockroom.site.pdf import pdf_response
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, refused_to
from stockroom.site.web import page_of, public_address

# Issuing


def _set(number: str) -> MatchedSet:
    return get_object_or_404(MatchedSet.objects.select_related("type"), number=number)


def _valve(serial: str) -> Valve:
    return get_object_or_404(Valve, serial=serial)


@require_safe
def certificate(request: HttpRequest, number: str) -> HttpResponse:
    return _shown(request, _set(number), number)


@require_safe
def valve_certificate(request: HttpRequest, serial: str) -> HttpResponse:
    return _shown(request, _valve(serial), serial)


def _shown(request: HttpRequest, of: MatchedSet | Valve, name: str) -> HttpResponse:
    """The paper as it was issued while that stands, else how it would look."""
    issued = issuing.valid_paper(of)
    if issued and (pdf := issuing.paper(issued)):
        return pdf_response(pdf, f"certificate-{issued.number}")
    try:
        return pdf_response(issuing.preview(of), f"certificate-{name}")
    except CannotCertify as problem:
        messages.error(request, f"No certificate: {problem}")
        return redirect(of)


@require_POST
@for_roles(Role.BENCH, Role.SALES)
@refused_to("set", "number")
def certificate_issue(request: StaffRequest, number: str) -> HttpResponse:
    return _issued(request, _set(number))


@require_POST
@for_roles(Role.BENCH, Role.SALES)
@refused_to("valve", "serial")
def valve_certificate_issue(request: StaffRequest, serial: str) -> HttpResponse:
    return _issued(request, _valve(serial))


def _issued(request: StaffRequest, of: MatchedSet | Valve) -> HttpResponse:
    made = issuing.issue(of, request.user)
    messages.success(request, f"Certificate {made} is issued: print it, or send its page.")
    return redirect(of)


class CertificateFilter(django_filters.FilterSet):
    of = django_filters.CharFilter(label="Certificate, set or serial", method="by_name")

    class Meta:
        model = IssuedCertificate
        fields: list[str] = []

    def by_name(self, certificates: QuerySet[IssuedCertificate], _: str, text: str) -> QuerySet[IssuedCertificate]:
        name = text.strip().upper().replace(" ", "")
        return certificates.filter(
            Q(number=name) | Q(set__number=name) | Q(valve__serial=name) | Q(grades__valve__serial=name)
        ).distinct()


def certificates(request: HttpRequest) -> HttpResponse:
    rows = IssuedCertificate.objects.select_related("set", "valve", "issued_by", "withdrawal")
    found = CertificateFilter(request.GET, queryset=rows)
    page = page_of(request, found.qs)
    rows_shown = [(one, validity_of(one)) for one in page]
    return render(request, "issued/certificates.html", {"filter": found, "page": page, "rows": rows_shown})


class WithdrawalForm(forms.ModelForm):
    class Meta:
        model = Withdrawal
        fields = ["because"]


@for_roles(Role.SALES)
def certificate_withdraw(request: StaffRequest, number: str) -> HttpResponse:
    found = get_object_or_404(IssuedCertificate, number=number)
    form = WithdrawalForm(request.POST or None)
    form.fields["because"].widget.attrs["autofocus"] = True
    if form.is_valid():
        with errors_on(form):
            issuing.withdraw(found, form.cleaned_data["because"], request.user)
            messages.success(request, f"Certificate {number} is withdrawn; its page says so.")
            return redirect(found)
    context = {
        "form": form,
        "title": f"Withdraw certificate {number}",
        "intro": "Its page stays, and says from now on that it no longer stands, and why.",
        "action": "Withdraw it",
        "back": found.get_absolute_url(),
    }
    return render(request, "site/form.html", context)


# Before the public


def _of_token(token: str) -> IssuedCertificate:
    found = IssuedCertificate.objects.select_related("set", "valve", "key", "withdrawal").filter(token=token).first()
    if found is None:
        raise Http404("No certificate has this address.")
    return found


@login_not_required
@require_safe
def issued_certificate(request: HttpRequest, token: str) -> HttpResponse:
    """What was certified, and whether it still stands."""
    found = _of_token(token)
    context = {
        "certificate": found,
        "payload": json.loads(found.payload),
        "validity": validity_of(found),
        "has_paper": issuing.paper(found) is not None,
        "canonical": public_address(request),
    }
    return render(request, "issued/issued_certificate.html", context)


@login_not_required
@require_safe
def certificate_copy(request: HttpRequest, token: str) -> HttpResponse:
    found = _of_token(token)
    headers = {"Content-Disposition": f'attachment; filename="certificate-{found.number}.json"'}
    return HttpResponse(issuing.saved_copy(found), content_type="application/json", headers=headers)


@login_not_required
@require_safe
def issued_paper(request: HttpRequest, token: str) -> HttpResponse:
    found = _of_token(token)
    pdf = issuing.paper(found)
    if pdf is None:
        raise Http404("The file of this certificate is not here: its page and its saved copy say the same.")
    return pdf_response(pdf, f"certificate-{found.number}")


@login_not_required
@require_safe
def certificate_keys(request: HttpRequest) -> HttpResponse:
    """The keys that the shop has had, and how to check a copy without it."""
    context = {
        "page": page_of(request, SigningKey.objects.all()),
        "jwks_address": public_address(request, reverse("certificate-keys-jwks")),
        "canonical": public_address(request),
    }
    return render(request, "issued/certificate_keys.html", context)


@login_not_required
@require_safe
def certificate_keys_jwks(request: HttpRequest) -> HttpResponse:
    """A JWK set (RFC 7517), with members of our own for when a key was retired or compromised, as section 4 allows."""
    rows = []
    for key in SigningKey.objects.all():
        row = signing.jwk(signing.public_of(key.x))
        if key.retired_at:
            row["retired_at"] = key.retired_at.isoformat()
        if key.compromised_from:
            row["compromised_from"] = key.compromised_from.isoformat()
        rows.append(row)
    return JsonResponse({"keys": rows}, content_type="application/jwk-set+json")


@login_not_required
@require_safe
def certificate_key_pem(request: HttpRequest, kid: str) -> HttpResponse:
    key = get_object_or_404(SigningKey, kid=kid)
    return HttpResponse(signing.public_pem(signing.public_of(key.x)), content_type="application/x-pem-file")


# The owner's keys


@for_roles(Role.OWNER)
def signing_keys(request: StaffRequest) -> HttpResponse:
    found = page_of(request, SigningKey.objects.select_related("made_by"))
    rows = [(key, key.in_use and keys.secret_file(key.kid).exists()) for key in found]
    return render(request, "issued/signing_keys.html", {"page": found, "rows": rows})


@require_POST
@for_roles(Role.OWNER)
def signing_key_new(request: StaffRequest) -> HttpResponse:
    made = keys.begin_new_key(request.user)
    messages.success(request, f"Certificates are signed with the key {made} from now on.")
    return redirect("signing-keys")


class CompromisedForm(forms.Form):
    since = forms.DateField(label="Since when", widget=forms.DateInput({"type": "date"}))
    how = forms.CharField(label="How, as far as is known", max_length=200)

    def clean_since(self) -> date:
        since: date = self.cleaned_data["since"]
        if since > timezone.localdate():
            raise forms.ValidationError("This day is still to come.")
        return since


@for_roles(Role.OWNER)
def signing_key_compromised(request: StaffRequest, kid: str) -> HttpResponse:
    key = get_object_or_404(SigningKey, kid=kid)
    form = CompromisedForm(request.POST or None)
    if form.is_valid():
        said = form.cleaned_data
        keys.say_compromised(key, said["since"], said["how"], request.user)
        messages.success(request, f"The key {kid} is no longer trusted, and its page says so.")
        return redirect("signing-keys")
    context = {
        "form": form,
        "title": "Somebody else may have this key",
        "intro": (
            f"Key {kid}. Whoever has it can sign with any date, so that no copy signed with it proves anything by "
            "itself any more. The pages of certificates that you issued go on saying whether they stand; issue anew "
            "what is to be checked without them."
        ),
        "action": "It is compromised",
        "back": reverse("signing-keys"),
    }
    return render(request, "site/form.html", context)


urlpatterns = [
    path("sets/<str:number>/certificate.pdf", certificate, name="certificate"),
    path("sets/<str:number>/certificate/", certificate_issue, name="certificate-issue"),
    path("valves/<str:serial>/certificate.pdf", valve_certificate, name="valve-certificate"),
    path("valves/<str:serial>/certificate/", valve_certificate_issue, name="valve-certificate-issue"),
    path("certificates/", certificates, name="issued-certificates"),
    path("certificates/keys/", certificate_keys, name="certificate-keys"),
    path("certificates/keys/<str:kid>.pem", certificate_key_pem, name="certificate-key-pem"),
    path("certificates/<str:number>/withdraw/", certificate_withdraw, name="certificate-withdraw"),
    path("certificates/<str:token>/", issued_certificate, name="issued-certificate"),
    path("certificates/<str:token>/copy.json", certificate_copy, name="certificate-copy"),
    path("certificates/<str:token>/paper.pdf", issued_paper, name="issued-paper"),
    path(".well-known/jwks.json", certificate_keys_jwks, name="certificate-keys-jwks"),
    path("signing-keys/", signing_keys, name="signing-keys"),
    path("signing-keys/new/", signing_key_new, name="signing-key-new"),
    path("signing-keys/<str:kid>/compromised/", signing_key_compromised, name="signing-key-compromised"),
]
