"""Every run of the matcher gets its job in the one queue: what was asked and how far it is. A run that was waiting, or
was cut off at work, waits there."""

import django.db.models.deletion
from django.db import migrations, models

ENDED = ("done", "failed")


def make_jobs(apps, schema_editor):
    MatchRun = apps.get_model("grading", "MatchRun")
    Job = apps.get_model("stockroom", "Job")
    for run in MatchRun.objects.select_related("type").order_by("pk").iterator():
        over = run.state in ENDED
        run.job = Job.objects.create(
            kind="match",
            title=f"Match {run.type.designation}: sets of {run.ask['size']}",
            question=run.ask,
            state=run.state if over else "waiting",
            stop_asked=run.stop_asked and not over,
            trouble=run.trouble,
            result={"sets": len(run.outcome["sets"]), "value": run.outcome["value"]} if run.outcome else {},
            made_at=run.made_at,
            made_by_id=run.made_by_id,
            ended_at=run.alive_at if over else None,
        )
        run.save(update_fields=["job"])


def back_to_runs(apps, schema_editor):
    """States that a run did not know are its nearest: one that was stopped before it found anything has failed."""
    MatchRun = apps.get_model("grading", "MatchRun")
    Job = apps.get_model("stockroom", "Job")
    for run in MatchRun.objects.select_related("job").iterator():
        job = run.job
        state = {"stopped": "failed", "working": "waiting"}.get(job.state, job.state)
        trouble = job.trouble or ("It was stopped." if job.state == "stopped" else "")
        MatchRun.objects.filter(pk=run.pk).update(
            ask=job.question, state=state, trouble=trouble, stop_asked=job.stop_asked, job=None
        )
    Job.objects.filter(kind="match").delete()


class Migration(migrations.Migration):
    dependencies = [
        ("grading", "0011_voltage_held"),
        ("stockroom", "0010_job"),
    ]

    operations = [
        migrations.AddField(
            model_name="matchrun",
            name="job",
            field=models.OneToOneField(
                null=True, on_delete=django.db.models.deletion.PROTECT, related_name="match_run", to="stockroom.job"
            ),
        ),
        # So that going back has somewhere to put what is asked.
        migrations.AlterField(model_name="matchrun", name="ask", field=models.JSONField(default=dict)),
        migrations.RunPython(make_jobs, back_to_runs),
    ]
