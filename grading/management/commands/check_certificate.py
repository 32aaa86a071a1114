"""Check a copy of a certificate: a file saved from its page, or the text of the large square on its paper.

With --key nothing but the key is trusted, and no database is asked. Without, the shop's own keys are, and it is also
said whether the certificate still stands. The command fails where the copy is not genuine.
"""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from grading.issued import keys
from grading.issued.pure import signing
from grading.issued.validity import validity_of
from grading.models import IssuedCertificate, SigningKey
from stockroom.pure.refused import Refused


class Command(BaseCommand):
    help = __doc__
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--key", type=Path, action="append", help="public keys: PEM, or a JWK set; may be repeated")

    def handle(self, *args: Any, **options: Any) -> None:
        given: list[Path] = options["key"] or []
        try:
            trusted = {kid: key for path in given for kid, key in signing.read_keys(path.read_text()).items()}
            found = signing.check(options["file"].read_bytes(), trusted if given else keys.public_keys())
        except (Refused, OSError, UnicodeDecodeError) as problem:
            raise CommandError(f"Not genuine, or not to be checked: {problem}{self._compromised(options)}") from problem
        payload = found.payload
        self.stdout.write(
            f"Genuine: certificate {payload['certificate']} of {payload['of']}, {payload['type']}, issued on "
            f"{payload['issued_on']} by {payload['shop']}, signed with the key {found.kid}."
        )
        if not given:
            kept = IssuedCertificate.objects.filter(number=payload["certificate"], key__kid=found.kid).first()
            self.stdout.write(validity_of(kept).in_words if kept else "It is not among the certificates of this shop.")

    def _compromised(self, options: dict[str, Any]) -> str:
        """Why the shop does not trust a key that it has had."""
        if options["key"]:
            return ""
        try:
            key = SigningKey.objects.filter(kid=signing.read_copy(options["file"].read_bytes()).kid).first()
        except (Refused, OSError):
            return ""
        return f" The key is {key.state_in_words}." if key and key.compromised_from else ""
