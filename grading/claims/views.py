"""The paper of a claim; its pages are the stockroom's."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone

from grading.claims.gathered import claim_paper_data
from grading.claims.pure.claim_pdf import claim_pdf
from stockroom.models import Claim
from stockroom.site.pdf import pdf_response


def claim_paper(request: HttpRequest, number: str) -> HttpResponse:
    claim = get_object_or_404(Claim.objects.select_related("lot__supplier"), number=number)
    return pdf_response(claim_pdf(claim_paper_data(claim, timezone.localdate())), f"claim-{number}")


urlpatterns = [path("claims/<str:number>/claim.pdf", claim_paper, name="claim-pdf")]
