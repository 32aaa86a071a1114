"""Make an empty shop ready for work: tables, valve types, the first policy, and the owner's login."""

from getpass import getpass
from typing import Any

from django.contrib.auth.models import Group, User
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser

from stockroom.site.people import Role


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("owner", help="the owner's login name")

    def handle(self, *args: Any, **options: Any) -> None:
        call_command("migrate", verbosity=0)
        call_command("load_types")
        call_command("load_policy")
        if User.objects.filter(username=options["owner"]).exists():
            self.stdout.write(f"{options['owner']} has a login already.")
            return
        password = getpass(f"Password for {options['owner']}: ")
        try:
            validate_password(password)
        except ValidationError as weak:
            raise CommandError(" ".join(weak.messages)) from weak
        owner = User.objects.create_user(options["owner"], password=password)
        owner.groups.add(Group.objects.get(name=Role.OWNER))
        self.stdout.write(f"{owner.username} may log in. Start the shop with: python manage.py serve")
