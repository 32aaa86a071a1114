"""Every photograph that waits to be prepared becomes a job, with the attempts that were made at it."""

from django.db import migrations


def queue(apps, schema_editor):
    Photograph = apps.get_model("stockroom", "Photograph")
    Job = apps.get_model("stockroom", "Job")
    waiting = Photograph.objects.filter(state="waiting").order_by("pk")
    Job.objects.bulk_create(
        [
            Job(
                kind="photograph",
                key=f"photograph {photograph.pk}",
                title=f"Photograph {photograph.sha256[:12]}",
                question={"photograph": photograph.pk},
                attempts=photograph.attempts,
                made_at=photograph.first_sent_at,
            )
            for photograph in waiting.iterator()
        ],
        batch_size=500,
    )


def forget(apps, schema_editor):
    """The photographs themselves say that they wait."""
    apps.get_model("stockroom", "Job").objects.filter(kind="photograph").delete()


class Migration(migrations.Migration):
    dependencies = [("stockroom", "0010_job")]

    operations = [migrations.RunPython(queue, forget)]
