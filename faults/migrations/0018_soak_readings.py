import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clampline_sites", "0001_initial"),
        ("core", "0002_jobs"),
        ("faults", "0017_path_estimates"),
    ]

    operations = [
        migrations.CreateModel(
            name="SoakCheckLeg",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("leg", models.CharField(max_length=64)),
                ("current_ma", models.FloatField(blank=True, null=True)),
                ("far_v", models.FloatField(blank=True, null=True)),
                ("insulation_mohm", models.FloatField(blank=True, null=True)),
            ],
            options={
                "abstract": False,
                "base_manager_name": "objects",
            },
        ),
        migrations.AddField(
            model_name="inspection",
            name="call",
            field=models.ForeignKey(
                blank=True,
                db_index=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="inspections",
                to="faults.faultcall",
            ),
        ),
        migrations.AddField(
            model_name="returntest",
            name="least_terminal_v",
            field=models.FloatField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="returntest",
            name="least_terminal_v_basis",
            field=models.CharField(blank=True, max_length=20),
        ),
        migrations.AddField(
            model_name="soakcheck",
            name="done_by_id",
            field=models.CharField(blank=True, max_length=80),
        ),
        migrations.AddField(
            model_name="soakcheck",
            name="done_by_kind",
            field=models.CharField(blank=True, max_length=10),
        ),
        migrations.AddField(
            model_name="soakcheck",
            name="meter",
            field=models.CharField(blank=True, max_length=120),
        ),
        migrations.AddField(
            model_name="soakcheck",
            name="terminal_v",
            field=models.FloatField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="soakcheck",
            name="wet",
            field=models.BooleanField(blank=True, null=True),
        ),
        migrations.AlterField(
            model_name="asleftitem",
            name="kind",
            field=models.CharField(
                choices=[
                    ("power-off", "Power off"),
                    ("power-on", "Power on while something is open"),
                    ("coil-in", "Series coil in"),
                    ("leg-off", "Leg off"),
                    ("joint-open", "Joint open"),
                    ("joint-closed", "Joint closed that the map has open"),
                    ("isolated", "Taken out of the path"),
                    ("lid-up", "Lid up or hole open"),
                    ("tag", "Tag on a wire"),
                    ("other", "Other"),
                ],
                max_length=20,
            ),
        ),
        migrations.AddIndex(
            model_name="inspection",
            index=models.Index(fields=["contractor", "call", "id"], name="inspection_of_call"),
        ),
        migrations.AddField(
            model_name="soakcheckleg",
            name="contractor",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="core.contractor",
            ),
        ),
        migrations.AddField(
            model_name="soakcheckleg",
            name="soak_check",
            field=models.ForeignKey(
                db_index=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="legs",
                to="faults.soakcheck",
            ),
        ),
        migrations.AddConstraint(
            model_name="soakcheckleg",
            constraint=models.UniqueConstraint(
                fields=("contractor", "soak_check", "leg"), name="soak_check_leg"
            ),
        ),
        migrations.AddConstraint(
            model_name="soakcheckleg",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("current_ma__isnull", False),
                    ("far_v__isnull", False),
                    ("insulation_mohm__isnull", False),
                    _connector="OR",
                ),
                name="soak_leg_says_something",
            ),
        ),
    ]
