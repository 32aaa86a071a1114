"""The paper of a claim; its pages are the stockroom's."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone

from grading.claims.claim_paper import claim_sheet_data
from grading.claims.pure.claim_pdf import claim_pdf
from stockroom.models import Claim
from stockroom.site.pdf import pdf_response


def claim_sheet(request: HttpRequest, number: str) -> HttpResponse:
    claim = get_object_or_404(Claim.objects.select_related("lot__supplier"), number=number)
    return pdf_response(claim_pdf(claim_sheet_data(claim, timezone.localdate())), f"claim-{number}")


urlpatterns = [path("claims/<str:number>/claim.pdf", claim_sheet, name="claim-pdf")]
