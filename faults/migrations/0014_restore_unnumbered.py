from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("faults", "0013_lacked_on_visits"),
    ]

    operations = [
        migrations.AddField(
            model_name="partialrestore",
            name="unnumbered_lost",
            field=models.PositiveIntegerField(default=0),
        ),
    ]
