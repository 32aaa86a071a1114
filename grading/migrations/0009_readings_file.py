import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("grading", "0008_voltage_held"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="ReadingsFile",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("name", models.CharField(max_length=200, verbose_name="name as sent")),
                ("sha256", models.CharField(db_index=True, max_length=64, verbose_name="SHA-256")),
                ("data", models.BinaryField()),
                ("parsed", models.BinaryField(null=True)),
                ("choices", models.JSONField(default=dict)),
                ("uploaded_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ("imported_at", models.DateTimeField(editable=False, null=True)),
                ("read_on", models.DateField(null=True)),
                (
                    "batch",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="file",
                        to="grading.importbatch",
                    ),
                ),
                (
                    "imported_by",
                    models.ForeignKey(
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "tester",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="files",
                        to="grading.tester",
                    ),
                ),
                (
                    "uploaded_by",
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
                "ordering": ["-id"],
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="TesterMapping",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("columns", models.JSONField(default=dict)),
                ("decimal_mark", models.CharField(blank=True, max_length=1)),
                ("changed_at", models.DateTimeField(auto_now=True)),
                (
                    "tester",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE, related_name="mapping", to="grading.tester"
                    ),
                ),
            ],
            options={
                "abstract": False,
            },
        ),
    ]
