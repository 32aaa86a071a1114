import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
        ("stockroom", "0006_more_code_forms"),
    ]

    operations = [
        migrations.CreateModel(
            name="Job",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("kind", models.CharField(editable=False, max_length=40)),
                ("key", models.CharField(blank=True, editable=False, max_length=80)),
                ("title", models.CharField(editable=False, max_length=200)),
                ("question", models.JSONField(default=dict, editable=False)),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("waiting", "waiting"),
                            ("working", "at work"),
                            ("done", "done"),
                            ("failed", "failed"),
                            ("stopped", "stopped"),
                        ],
                        default="waiting",
                        editable=False,
                        max_length=8,
                    ),
                ),
                ("stop_asked", models.BooleanField(default=False, editable=False)),
                ("progress", models.JSONField(default=dict, editable=False)),
                ("saved", models.JSONField(default=dict, editable=False)),
                ("result", models.JSONField(default=dict, editable=False)),
                ("trouble", models.CharField(blank=True, editable=False, max_length=300)),
                ("attempts", models.PositiveSmallIntegerField(default=0, editable=False)),
                ("claim", models.CharField(blank=True, editable=False, max_length=32)),
                (
                    "made_at",
                    models.DateTimeField(default=django.utils.timezone.now, editable=False, verbose_name="asked at"),
                ),
                ("not_before", models.DateTimeField(editable=False, null=True)),
                ("alive_at", models.DateTimeField(editable=False, null=True, verbose_name="last sign of life")),
                ("ended_at", models.DateTimeField(editable=False, null=True)),
                (
                    "made_by",
                    models.ForeignKey(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "ordering": ["-pk"],
                "indexes": [
                    models.Index(
                        condition=models.Q(state__in=("waiting", "working")),
                        fields=["kind", "attempts", "id"],
                        name="jobs_to_do",
                    ),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("state__in", ("waiting", "working")), models.Q(("key", ""), _negated=True)),
                        fields=("key",),
                        name="one_live_job_about_a_thing",
                    ),
                ],
            },
        ),
    ]
