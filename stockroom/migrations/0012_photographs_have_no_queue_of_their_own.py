from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("stockroom", "0011_photographs_wait_in_the_queue")]

    operations = [
        migrations.RemoveField(model_name="photograph", name="attempts"),
        migrations.RemoveField(model_name="photograph", name="claimed_at"),
    ]
