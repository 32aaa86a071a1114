"""Sealed stock and claims. The database itself refuses to change or delete a plan, what was drawn by it and the
decisions on it."""

from decimal import Decimal

import django.core.validators
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

import stockroom.models.shop

APPEND_ONLY = {
    "sampling_plan": "stockroom_samplingplan",
    "drawn_pack": "stockroom_drawnpack",
    "pack_with_serial": "stockroom_pack",
    "sealed_decision": "stockroom_sealeddecision",
    "supply_note": "stockroom_supplynote",
}
SQLITE = """CREATE TRIGGER {name}_no_{verb} BEFORE {verb} ON {table}
    BEGIN SELECT RAISE(ABORT, 'plans, draws and decisions are never edited or deleted'); END"""
POSTGRESQL_FUNCTION = """CREATE FUNCTION stockroom_sealed_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION 'plans, draws and decisions are never edited or deleted'
          USING ERRCODE = 'integrity_constraint_violation'; END $$"""
POSTGRESQL = """CREATE TRIGGER {name}_append_only BEFORE UPDATE OR DELETE ON {table}
    FOR EACH ROW EXECUTE FUNCTION stockroom_sealed_is_append_only()"""


def add(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(POSTGRESQL_FUNCTION)
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
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("DROP FUNCTION stockroom_sealed_is_append_only()")


class Migration(migrations.Migration):
    dependencies = [
        ("catalog", "0001_initial"),
        ("stockroom", "0003_identity"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name="line",
            name="sent_back",
            field=models.PositiveIntegerField(default=0, editable=False, verbose_name="sent back to the supplier"),
        ),
        migrations.CreateModel(
            name="Claim",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("number", models.CharField(editable=False, max_length=12, unique=True)),
                ("reference", models.CharField(blank=True, max_length=80, verbose_name="invoice or their reference")),
                ("text", models.TextField(blank=True, verbose_name="words to the supplier")),
                ("currency", stockroom.models.shop.CurrencyField(max_length=3)),
                ("made_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                (
                    "lot",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="claims", to="stockroom.lot"
                    ),
                ),
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
                "ordering": ["-made_at", "-number"],
            },
        ),
        migrations.CreateModel(
            name="Fault",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("kind", models.CharField(choices=[("wrong type", "wrong type"), ("broken", "broken")], max_length=10)),
                ("pieces", models.PositiveIntegerField(validators=[django.core.validators.MinValueValidator(1)])),
                ("note", models.CharField(blank=True, max_length=200)),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
                ("withdrawn_at", models.DateTimeField(null=True)),
                ("withdrawn_because", models.CharField(blank=True, max_length=200, verbose_name="why it is withdrawn")),
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
                    "found_type",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="catalog.valvetype",
                    ),
                ),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="faults", to="stockroom.line"
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="ClaimRow",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("short", "short"),
                            ("over", "over"),
                            ("wrong type", "wrong type"),
                            ("broken", "broken"),
                            ("sent back", "sent back"),
                        ],
                        max_length=10,
                    ),
                ),
                ("pieces", models.PositiveIntegerField(validators=[django.core.validators.MinValueValidator(1)])),
                (
                    "amount",
                    stockroom.models.shop.MoneyField(
                        decimal_places=3, max_digits=14, validators=[django.core.validators.MinValueValidator(0)]
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=300)),
                (
                    "claim",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="rows", to="stockroom.claim"
                    ),
                ),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="claim_rows", to="stockroom.line"
                    ),
                ),
                (
                    "fault",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="claim_rows",
                        to="stockroom.fault",
                    ),
                ),
            ],
            options={
                "ordering": ["line__number", "id"],
            },
        ),
        migrations.CreateModel(
            name="Packing",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "seal",
                    models.CharField(
                        choices=[
                            ("pack", "each piece in a sealed pack of its own"),
                            ("carton", "sealed cartons of several pieces"),
                        ],
                        default="pack",
                        max_length=6,
                        verbose_name="what is sealed",
                    ),
                ),
                (
                    "carton_size",
                    models.PositiveIntegerField(
                        default=1,
                        help_text="1 for loose single packs. The last carton may hold fewer.",
                        validators=[django.core.validators.MinValueValidator(1)],
                        verbose_name="pieces in a carton",
                    ),
                ),
                (
                    "contract_marks",
                    models.CharField(blank=True, max_length=200, verbose_name="contract marks as printed"),
                ),
                ("pack_date", models.CharField(blank=True, max_length=40, verbose_name="pack date as printed")),
                (
                    "line",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT, related_name="packing", to="stockroom.line"
                    ),
                ),
            ],
        ),
        migrations.CreateModel(
            name="SamplingPlan",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "replaced_because",
                    models.CharField(blank=True, max_length=200, verbose_name="why the earlier plan is replaced"),
                ),
                (
                    "method",
                    models.CharField(
                        choices=[
                            ("iso", "ISO 2859-1, single sampling"),
                            ("exact", "exact, for given qualities and risks"),
                        ],
                        max_length=5,
                    ),
                ),
                (
                    "level",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("S-1", "S-1"),
                            ("S-2", "S-2"),
                            ("S-3", "S-3"),
                            ("S-4", "S-4"),
                            ("I", "I"),
                            ("II", "II"),
                            ("III", "III"),
                        ],
                        max_length=3,
                        verbose_name="inspection level",
                    ),
                ),
                (
                    "aql",
                    models.DecimalField(decimal_places=3, max_digits=7, null=True, verbose_name="AQL, % nonconforming"),
                ),
                (
                    "severity",
                    models.CharField(
                        blank=True,
                        choices=[("normal", "normal"), ("tightened", "tightened"), ("reduced", "reduced")],
                        max_length=9,
                    ),
                ),
                (
                    "severity_proposed",
                    models.CharField(
                        blank=True,
                        choices=[("normal", "normal"), ("tightened", "tightened"), ("reduced", "reduced")],
                        max_length=9,
                    ),
                ),
                (
                    "severity_because",
                    models.CharField(blank=True, max_length=200, verbose_name="why that severity was proposed"),
                ),
                (
                    "override_reason",
                    models.CharField(blank=True, max_length=200, verbose_name="why another severity was taken"),
                ),
                ("offered_again", models.BooleanField(default=False, verbose_name="offered again after a refusal")),
                (
                    "acceptable_percent",
                    models.DecimalField(
                        decimal_places=2, max_digits=5, null=True, verbose_name="acceptable quality, % bad"
                    ),
                ),
                (
                    "rejectable_percent",
                    models.DecimalField(
                        decimal_places=2, max_digits=5, null=True, verbose_name="rejectable quality, % bad"
                    ),
                ),
                (
                    "producers_risk_percent",
                    models.DecimalField(decimal_places=2, max_digits=5, null=True, verbose_name="producer's risk, %"),
                ),
                (
                    "consumers_risk_percent",
                    models.DecimalField(decimal_places=2, max_digits=5, null=True, verbose_name="consumer's risk, %"),
                ),
                ("lot_size", models.PositiveIntegerField(verbose_name="pieces in the lot")),
                ("first_position", models.PositiveIntegerField()),
                ("sample_size", models.PositiveIntegerField()),
                ("acceptance_number", models.PositiveIntegerField()),
                ("basis", models.CharField(max_length=300)),
                (
                    "seal",
                    models.CharField(
                        choices=[
                            ("pack", "each piece in a sealed pack of its own"),
                            ("carton", "sealed cartons of several pieces"),
                        ],
                        max_length=6,
                    ),
                ),
                ("carton_size", models.PositiveIntegerField()),
                ("worst_grade", models.CharField(blank=True, max_length=40, verbose_name="worst grade that is usable")),
                ("returnable_until", models.DateField(null=True, verbose_name="can go back until")),
                ("seed", models.CharField(max_length=64)),
                ("made_at", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="sampling_plans", to="stockroom.line"
                    ),
                ),
                (
                    "made_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "replaces",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="replaced_by",
                        to="stockroom.samplingplan",
                    ),
                ),
            ],
            options={
                "ordering": ["-made_at", "-id"],
            },
        ),
        migrations.CreateModel(
            name="Pack",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("number", models.PositiveIntegerField()),
                ("opened", models.BooleanField()),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
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
                    "valve",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT, related_name="pack", to="stockroom.valve"
                    ),
                ),
                (
                    "plan",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="packs", to="stockroom.samplingplan"
                    ),
                ),
            ],
            options={
                "ordering": ["plan", "number"],
            },
        ),
        migrations.CreateModel(
            name="DrawnPack",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("order", models.PositiveIntegerField()),
                ("number", models.PositiveIntegerField()),
                (
                    "plan",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="drawn", to="stockroom.samplingplan"
                    ),
                ),
            ],
            options={
                "ordering": ["plan", "order"],
            },
        ),
        migrations.CreateModel(
            name="SealedDecision",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "action",
                    models.CharField(
                        choices=[
                            ("accept", "accept: sell the rest sealed"),
                            ("test all", "test every piece"),
                            ("return", "send the rest back"),
                        ],
                        max_length=8,
                    ),
                ),
                ("proposed", models.CharField(max_length=10, verbose_name="what the plan said")),
                ("because", models.CharField(max_length=300)),
                ("tested", models.PositiveIntegerField(verbose_name="tested of the sample")),
                ("failed", models.PositiveIntegerField(verbose_name="failed of the sample")),
                ("statement", models.TextField(blank=True, verbose_name="what is said of the unopened packs")),
                ("note", models.CharField(blank=True, max_length=200)),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
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
                    "plan",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="decisions",
                        to="stockroom.samplingplan",
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="SupplyNote",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("terms", "how steady the supply is, and whether reduced inspection is wanted"),
                            ("resumed", "the supplier has put things right: sampling begins again, tightened"),
                            ("to normal", "reduced inspection ends"),
                        ],
                        max_length=9,
                    ),
                ),
                ("aql", models.DecimalField(decimal_places=3, max_digits=7, null=True, verbose_name="AQL")),
                ("steady", models.BooleanField(default=False, verbose_name="the supply is steady")),
                ("reduced_wanted", models.BooleanField(default=False, verbose_name="reduced inspection is wanted")),
                ("reason", models.CharField(max_length=200)),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
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
                    "supplier",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="supply_notes",
                        to="stockroom.supplier",
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="ClaimStep",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("sent", "sent to the supplier"),
                            ("agreed", "agreed"),
                            ("refused", "refused by the supplier"),
                            ("withdrawn", "withdrawn"),
                        ],
                        max_length=10,
                    ),
                ),
                ("on", models.DateField(default=django.utils.timezone.localdate, verbose_name="day")),
                (
                    "amount",
                    stockroom.models.shop.MoneyField(
                        blank=True,
                        decimal_places=3,
                        max_digits=14,
                        null=True,
                        validators=[django.core.validators.MinValueValidator(0)],
                        verbose_name="amount agreed",
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=200)),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
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
                    "claim",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="steps", to="stockroom.claim"
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("kind", "agreed"), _negated=True),
                            models.Q(("amount__gte", 0), ("amount__isnull", False)),
                            _connector="OR",
                        ),
                        name="agreed_on_an_amount",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Credit",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "amount",
                    stockroom.models.shop.MoneyField(
                        decimal_places=3,
                        max_digits=14,
                        validators=[django.core.validators.MinValueValidator(Decimal("0.001"))],
                    ),
                ),
                ("currency", stockroom.models.shop.CurrencyField(max_length=3)),
                (
                    "rate",
                    models.DecimalField(
                        decimal_places=6,
                        default=Decimal("1"),
                        max_digits=14,
                        validators=[django.core.validators.MinValueValidator(Decimal("0.000001"))],
                    ),
                ),
                ("on", models.DateField(default=django.utils.timezone.localdate, verbose_name="day")),
                ("note", models.CharField(blank=True, max_length=120, verbose_name="credit note or payment")),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
                ("struck_at", models.DateTimeField(null=True)),
                ("struck_because", models.CharField(blank=True, max_length=200, verbose_name="why it is struck out")),
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
                    "claim",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="credits", to="stockroom.claim"
                    ),
                ),
                (
                    "lot",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="credits", to="stockroom.lot"
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("amount__gt", 0), ("rate__gt", 0)), name="a_credit_is_above_nothing"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("struck_at", None), models.Q(("struck_because", ""), _negated=True), _connector="OR"
                        ),
                        name="a_struck_credit_says_why",
                    ),
                ],
            },
        ),
        migrations.AddConstraint(
            model_name="fault",
            constraint=models.CheckConstraint(condition=models.Q(("pieces__gte", 1)), name="a_fault_is_of_some_pieces"),
        ),
        migrations.AddConstraint(
            model_name="fault",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("withdrawn_at", None), models.Q(("withdrawn_because", ""), _negated=True), _connector="OR"
                ),
                name="a_withdrawn_fault_says_why",
            ),
        ),
        migrations.AddConstraint(
            model_name="claimrow",
            constraint=models.CheckConstraint(
                condition=models.Q(("amount__gte", 0), ("pieces__gte", 1)), name="a_claim_row_asks"
            ),
        ),
        migrations.AddConstraint(
            model_name="packing",
            constraint=models.CheckConstraint(
                condition=models.Q(("carton_size__gte", 1)), name="a_carton_holds_something"
            ),
        ),
        migrations.AddConstraint(
            model_name="packing",
            constraint=models.CheckConstraint(
                condition=models.Q(("seal", "pack"), ("carton_size__gte", 2), _connector="OR"),
                name="a_sealed_carton_holds_several",
            ),
        ),
        migrations.AddConstraint(
            model_name="samplingplan",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("lot_size__gte", 2), ("sample_size__gte", 1), ("sample_size__lte", models.F("lot_size"))
                ),
                name="a_sample_is_of_its_lot",
            ),
        ),
        migrations.AddConstraint(
            model_name="samplingplan",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("method", "iso"), _negated=True),
                    models.Q(
                        ("aql__isnull", False),
                        models.Q(("level", ""), _negated=True),
                        models.Q(("severity", ""), _negated=True),
                    ),
                    _connector="OR",
                ),
                name="an_iso_plan_names_its_table_cell",
            ),
        ),
        migrations.AddConstraint(
            model_name="samplingplan",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("severity", models.F("severity_proposed")),
                    models.Q(("override_reason", ""), _negated=True),
                    _connector="OR",
                ),
                name="another_severity_says_why",
            ),
        ),
        migrations.AddConstraint(
            model_name="samplingplan",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("replaces", None), models.Q(("replaced_because", ""), _negated=True), _connector="OR"
                ),
                name="a_replaced_plan_says_why",
            ),
        ),
        migrations.AddConstraint(
            model_name="samplingplan",
            constraint=models.UniqueConstraint(
                condition=models.Q(("replaces", None)), fields=("line",), name="the_first_plan_of_a_line_is_one"
            ),
        ),
        migrations.AddConstraint(
            model_name="pack",
            constraint=models.UniqueConstraint(fields=("plan", "number"), name="a_pack_has_one_serial"),
        ),
        migrations.AddConstraint(
            model_name="drawnpack",
            constraint=models.UniqueConstraint(fields=("plan", "order"), name="draws_are_numbered"),
        ),
        migrations.AddConstraint(
            model_name="drawnpack",
            constraint=models.UniqueConstraint(fields=("plan", "number"), name="a_pack_is_drawn_once"),
        ),
        migrations.AddConstraint(
            model_name="sealeddecision",
            constraint=models.CheckConstraint(
                condition=models.Q(("failed__lte", models.F("tested"))), name="no_more_failed_than_tested"
            ),
        ),
        migrations.AddConstraint(
            model_name="sealeddecision",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("action", "accept"), _negated=True),
                    models.Q(("statement", ""), _negated=True),
                    _connector="OR",
                ),
                name="an_accepted_lot_has_its_statement",
            ),
        ),
        migrations.AddConstraint(
            model_name="supplynote",
            constraint=models.CheckConstraint(
                condition=models.Q(("kind", "terms"), ("aql__isnull", False), _connector="OR"),
                name="a_series_has_its_aql",
            ),
        ),
        migrations.RunPython(add, remove),
    ]
