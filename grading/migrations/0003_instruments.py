"""Testers as instruments. The database itself refuses to change or delete what a study or a check has read."""

import django.core.validators
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

APPEND_ONLY = {"study_reading": "grading_studyreading", "reference_check": "grading_referencecheck"}

SQLITE = """CREATE TRIGGER {name}_no_{verb} BEFORE {verb} ON {table}
    BEGIN SELECT RAISE(ABORT, 'readings are never edited or deleted: write a correction'); END"""
# The function is that of 0002.
POSTGRESQL = """CREATE TRIGGER {name}_append_only BEFORE UPDATE OR DELETE ON {table}
    FOR EACH ROW EXECUTE FUNCTION grading_reading_is_append_only()"""


def add(apps, schema_editor) -> None:
    for name, table in APPEND_ONLY.items():
        if schema_editor.connection.vendor == "postgresql":
            schema_editor.execute(POSTGRESQL.format(name=name, table=table))
        else:
            for verb in ("UPDATE", "DELETE"):
                schema_editor.execute(SQLITE.format(name=name, verb=verb, table=table))


def remove(apps, schema_editor) -> None:
    for name, table in APPEND_ONLY.items():
        if schema_editor.connection.vendor == "postgresql":
            schema_editor.execute(f"DROP TRIGGER {name}_append_only ON {table}")
        else:
            for verb in ("UPDATE", "DELETE"):
                schema_editor.execute(f"DROP TRIGGER {name}_no_{verb}")


class Migration(migrations.Migration):
    dependencies = [
        ("catalog", "0001_initial"),
        ("grading", "0002_readings_are_append_only"),
        ("stockroom", "0001_initial"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="Calibration",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("done_on", models.DateField()),
                ("due_on", models.DateField(verbose_name="next due on")),
                ("by", models.CharField(max_length=120, verbose_name="done by")),
                ("certificate_number", models.CharField(blank=True, max_length=60)),
                ("note", models.TextField(blank=True)),
                (
                    "tester",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="calibrations", to="grading.tester"
                    ),
                ),
            ],
            options={
                "ordering": ["-done_on", "-id"],
            },
        ),
        migrations.CreateModel(
            name="CalibrationValue",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "quantity",
                    models.CharField(
                        choices=[
                            ("anode_current_ma", "anode current"),
                            ("gm_ma_per_v", "mutual conductance"),
                            ("emission_scale", "emission on a scale"),
                            ("heater_cathode_leakage_ua", "heater-cathode leakage"),
                            ("grid_current_ua", "grid current"),
                        ],
                        max_length=30,
                    ),
                ),
                (
                    "standard_uncertainty_percent",
                    models.FloatField(validators=[django.core.validators.MinValueValidator(0)]),
                ),
                (
                    "degrees_of_freedom",
                    models.FloatField(
                        blank=True,
                        help_text="Empty when they are infinite.",
                        null=True,
                        validators=[django.core.validators.MinValueValidator(1)],
                    ),
                ),
                (
                    "calibration",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="values", to="grading.calibration"
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="Capability",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "quantity",
                    models.CharField(
                        choices=[
                            ("anode_current_ma", "anode current"),
                            ("gm_ma_per_v", "mutual conductance"),
                            ("emission_scale", "emission on a scale"),
                            ("heater_cathode_leakage_ua", "heater-cathode leakage"),
                            ("grid_current_ua", "grid current"),
                        ],
                        max_length=30,
                    ),
                ),
                ("resolution", models.FloatField()),
                (
                    "accuracy_percent",
                    models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0)]),
                ),
                (
                    "accuracy_absolute",
                    models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0)]),
                ),
                ("scale_pass_at", models.FloatField(blank=True, null=True, verbose_name="good from")),
                (
                    "tester",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="capabilities", to="grading.tester"
                    ),
                ),
            ],
            options={
                "verbose_name_plural": "capabilities",
                "ordering": ["tester", "id"],
            },
        ),
        migrations.CreateModel(
            name="ReferenceValve",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("name", models.CharField(blank=True, max_length=80)),
                (
                    "quantity",
                    models.CharField(
                        choices=[
                            ("anode_current_ma", "anode current"),
                            ("gm_ma_per_v", "mutual conductance"),
                            ("emission_scale", "emission on a scale"),
                            ("heater_cathode_leakage_ua", "heater-cathode leakage"),
                            ("grid_current_ua", "grid current"),
                        ],
                        max_length=30,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=200)),
                ("active", models.BooleanField(default=True, verbose_name="in use")),
                (
                    "test_point",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reference_valves",
                        to="catalog.testpoint",
                    ),
                ),
                (
                    "tester",
                    models.ForeignKey(
                        blank=True,
                        help_text="Empty: read on every tester that measures the quantity.",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reference_valves",
                        to="grading.tester",
                    ),
                ),
                (
                    "valve",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="as_reference",
                        to="stockroom.valve",
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="ReferenceCheck",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("value", models.FloatField()),
                ("taken_at", models.DateTimeField(db_index=True, default=django.utils.timezone.now)),
                ("recorded_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("reason", models.CharField(blank=True, max_length=200, verbose_name="why it is corrected")),
                (
                    "by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "shift",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="checks", to="grading.shift"
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="superseded_by",
                        to="grading.referencecheck",
                    ),
                ),
                (
                    "reference",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="checks", to="grading.referencevalve"
                    ),
                ),
            ],
            options={
                "ordering": ["taken_at", "id"],
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="Baseline",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("starts_at", models.DateTimeField()),
                ("size", models.PositiveSmallIntegerField()),
                ("why", models.CharField(max_length=200)),
                ("set_at", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "tester",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="baselines", to="grading.tester"
                    ),
                ),
                (
                    "reference",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="baselines",
                        to="grading.referencevalve",
                    ),
                ),
            ],
            options={
                "ordering": ["-set_at", "-id"],
            },
        ),
        migrations.CreateModel(
            name="Stop",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("opened_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("why", models.TextField()),
                ("suspect_since", models.DateTimeField()),
                ("cleared_at", models.DateTimeField(blank=True, null=True)),
                ("action", models.TextField(blank=True, verbose_name="what was done")),
                (
                    "check_made",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="stops", to="grading.referencecheck"
                    ),
                ),
                (
                    "cleared_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "tester",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="stops", to="grading.tester"
                    ),
                ),
            ],
            options={
                "ordering": ["-opened_at", "-id"],
            },
        ),
        migrations.CreateModel(
            name="Study",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "quantity",
                    models.CharField(
                        choices=[
                            ("anode_current_ma", "anode current"),
                            ("gm_ma_per_v", "mutual conductance"),
                            ("emission_scale", "emission on a scale"),
                            ("heater_cathode_leakage_ua", "heater-cathode leakage"),
                            ("grid_current_ua", "grid current"),
                        ],
                        max_length=30,
                    ),
                ),
                ("repeats", models.PositiveSmallIntegerField(validators=[django.core.validators.MinValueValidator(2)])),
                ("seed", models.PositiveIntegerField()),
                ("started_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("finished_at", models.DateTimeField(blank=True, null=True)),
                ("given_up_at", models.DateTimeField(blank=True, null=True)),
                ("note", models.CharField(blank=True, max_length=300)),
                (
                    "by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "test_point",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="studies", to="catalog.testpoint"
                    ),
                ),
                (
                    "tester",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="studies", to="grading.tester"
                    ),
                ),
            ],
            options={
                "verbose_name_plural": "studies",
                "ordering": ["-started_at", "-id"],
            },
        ),
        migrations.CreateModel(
            name="StudyOperator",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("position", models.PositiveSmallIntegerField()),
                (
                    "operator",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to=settings.AUTH_USER_MODEL
                    ),
                ),
                (
                    "study",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="study_operators", to="grading.study"
                    ),
                ),
            ],
            options={
                "ordering": ["position"],
            },
        ),
        migrations.AddField(
            model_name="study",
            name="operators",
            field=models.ManyToManyField(
                related_name="studies", through="grading.StudyOperator", to=settings.AUTH_USER_MODEL
            ),
        ),
        migrations.CreateModel(
            name="StudyReading",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("value", models.FloatField()),
                ("taken_at", models.DateTimeField(db_index=True, default=django.utils.timezone.now)),
                ("recorded_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("reason", models.CharField(blank=True, max_length=200, verbose_name="why it is corrected")),
                ("repeat", models.PositiveSmallIntegerField()),
                (
                    "operator",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to=settings.AUTH_USER_MODEL
                    ),
                ),
                (
                    "study",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="readings", to="grading.study"
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="superseded_by",
                        to="grading.studyreading",
                    ),
                ),
                (
                    "valve",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="study_readings", to="stockroom.valve"
                    ),
                ),
            ],
            options={
                "ordering": ["taken_at", "id"],
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="StudyValve",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("position", models.PositiveSmallIntegerField()),
                (
                    "study",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="study_valves", to="grading.study"
                    ),
                ),
                (
                    "valve",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="stockroom.valve"
                    ),
                ),
            ],
            options={
                "ordering": ["position"],
            },
        ),
        migrations.AddField(
            model_name="study",
            name="valves",
            field=models.ManyToManyField(related_name="studies", through="grading.StudyValve", to="stockroom.valve"),
        ),
        migrations.CreateModel(
            name="TesterCondition",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "anode_voltage_v",
                    models.FloatField(null=True, validators=[django.core.validators.MinValueValidator(0)]),
                ),
                (
                    "screen_voltage_v",
                    models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0)]),
                ),
                ("grid_voltage_v", models.FloatField(blank=True, null=True)),
                (
                    "cathode_resistor_ohm",
                    models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0)]),
                ),
                (
                    "judged_by",
                    models.CharField(
                        choices=[
                            ("converted", "converted to the data sheet's conditions"),
                            ("house nominal", "beside a house nominal"),
                            ("sheet", "as the data sheet"),
                        ],
                        max_length=14,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=200)),
                ("since", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "test_point",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="tester_conditions",
                        to="catalog.testpoint",
                    ),
                ),
                (
                    "tester",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="conditions", to="grading.tester"
                    ),
                ),
            ],
            options={
                "ordering": ["-since", "-id"],
            },
        ),
        migrations.CreateModel(
            name="HouseNominal",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "quantity",
                    models.CharField(
                        choices=[
                            ("anode_current_ma", "anode current"),
                            ("gm_ma_per_v", "mutual conductance"),
                            ("emission_scale", "emission on a scale"),
                            ("heater_cathode_leakage_ua", "heater-cathode leakage"),
                            ("grid_current_ua", "grid current"),
                        ],
                        max_length=30,
                    ),
                ),
                ("median", models.FloatField()),
                ("spread", models.FloatField(verbose_name="robust standard deviation")),
                ("count", models.PositiveIntegerField()),
                ("learnt_at", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("readings", models.ManyToManyField(related_name="house_nominals", to="grading.reading")),
                (
                    "test_point",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="house_nominals",
                        to="catalog.testpoint",
                    ),
                ),
                (
                    "tester",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="house_nominals", to="grading.tester"
                    ),
                ),
                (
                    "condition",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="house_nominals",
                        to="grading.testercondition",
                    ),
                ),
            ],
            options={
                "ordering": ["-learnt_at", "-id"],
            },
        ),
        migrations.AddConstraint(
            model_name="calibration",
            constraint=models.CheckConstraint(
                condition=models.Q(("due_on__gt", models.F("done_on"))), name="calibration_due_after_done"
            ),
        ),
        migrations.AddConstraint(
            model_name="calibrationvalue",
            constraint=models.UniqueConstraint(
                fields=("calibration", "quantity"), name="one_calibration_value_per_quantity"
            ),
        ),
        migrations.AddConstraint(
            model_name="calibrationvalue",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("standard_uncertainty_percent__gte", 0),
                    models.Q(("degrees_of_freedom", None), ("degrees_of_freedom__gte", 1), _connector="OR"),
                ),
                name="calibration_value_possible",
            ),
        ),
        migrations.AddConstraint(
            model_name="capability",
            constraint=models.UniqueConstraint(fields=("tester", "quantity"), name="one_capability_per_quantity"),
        ),
        migrations.AddConstraint(
            model_name="capability",
            constraint=models.CheckConstraint(condition=models.Q(("resolution__gt", 0)), name="resolution_positive"),
        ),
        migrations.AddConstraint(
            model_name="capability",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("quantity", "emission_scale"), ("scale_pass_at__isnull", False)),
                    models.Q(models.Q(("quantity", "emission_scale"), _negated=True), ("scale_pass_at", None)),
                    _connector="OR",
                ),
                name="a_scale_and_nothing_else_has_a_good_mark",
            ),
        ),
        migrations.AddConstraint(
            model_name="capability",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("accuracy_percent", None), ("accuracy_percent__gte", 0), _connector="OR"),
                    models.Q(("accuracy_absolute", None), ("accuracy_absolute__gte", 0), _connector="OR"),
                ),
                name="accuracy_not_negative",
            ),
        ),
        migrations.AddConstraint(
            model_name="referencevalve",
            constraint=models.CheckConstraint(
                condition=models.Q(("valve__isnull", False), models.Q(("name", ""), _negated=True), _connector="OR"),
                name="a_reference_is_known_by_something",
            ),
        ),
        migrations.AddConstraint(
            model_name="referencecheck",
            constraint=models.CheckConstraint(
                condition=models.Q(("supersedes", None), models.Q(("reason", ""), _negated=True), _connector="OR"),
                name="referencecheck_correction_says_why",
            ),
        ),
        migrations.AddConstraint(
            model_name="stop",
            constraint=models.UniqueConstraint(
                condition=models.Q(("cleared_at", None)), fields=("tester",), name="a_tester_is_stopped_once_at_a_time"
            ),
        ),
        migrations.AddConstraint(
            model_name="stop",
            constraint=models.CheckConstraint(
                condition=models.Q(("cleared_at", None), models.Q(("action", ""), _negated=True), _connector="OR"),
                name="a_stop_is_cleared_by_doing_something",
            ),
        ),
        migrations.AddConstraint(
            model_name="studyoperator",
            constraint=models.UniqueConstraint(fields=("study", "operator"), name="an_operator_is_once_in_a_study"),
        ),
        migrations.AddConstraint(
            model_name="studyoperator",
            constraint=models.UniqueConstraint(fields=("study", "position"), name="study_operator_positions_differ"),
        ),
        migrations.AddConstraint(
            model_name="studyreading",
            constraint=models.CheckConstraint(
                condition=models.Q(("supersedes", None), models.Q(("reason", ""), _negated=True), _connector="OR"),
                name="studyreading_correction_says_why",
            ),
        ),
        migrations.AddConstraint(
            model_name="studyreading",
            constraint=models.UniqueConstraint(
                condition=models.Q(("supersedes", None)),
                fields=("study", "valve", "operator", "repeat"),
                name="one_study_reading_per_cell",
            ),
        ),
        migrations.AddConstraint(
            model_name="studyvalve",
            constraint=models.UniqueConstraint(fields=("study", "valve"), name="a_valve_is_once_in_a_study"),
        ),
        migrations.AddConstraint(
            model_name="studyvalve",
            constraint=models.UniqueConstraint(fields=("study", "position"), name="study_valve_positions_differ"),
        ),
        migrations.AddConstraint(
            model_name="study",
            constraint=models.CheckConstraint(condition=models.Q(("repeats__gte", 2)), name="a_study_repeats"),
        ),
        migrations.AddConstraint(
            model_name="study",
            constraint=models.CheckConstraint(
                condition=models.Q(("finished_at", None), ("given_up_at", None), _connector="OR"),
                name="a_study_ends_in_one_way",
            ),
        ),
        migrations.AddConstraint(
            model_name="testercondition",
            constraint=models.CheckConstraint(
                condition=models.Q(("grid_voltage_v", None), ("cathode_resistor_ohm", None), _connector="OR"),
                name="bias_is_of_one_kind",
            ),
        ),
        migrations.AddConstraint(
            model_name="testercondition",
            constraint=models.CheckConstraint(
                condition=models.Q(("judged_by", "sheet"), ("anode_voltage_v__isnull", False), _connector="OR"),
                name="a_difference_is_written_out",
            ),
        ),
        migrations.RunPython(add, remove),
    ]
