from django.apps import AppConfig
from django.db.models.signals import post_migrate


def make_roles(sender: AppConfig, using: str, **kwargs: object) -> None:
    """The roles exist wherever the tables do."""
    from django.contrib.auth.models import Group

    from stockroom.people import Role

    for role in Role:
        Group.objects.using(using).get_or_create(name=role.value)


class StockroomConfig(AppConfig):
    name = "stockroom"

    def ready(self) -> None:
        post_migrate.connect(make_roles, dispatch_uid="roles")
