"""Looks at paths without a flag; the looks there are belong to the paths of their flags."""

import django.db.models.deletion
from django.db import migrations, models
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.state import StateApps
from django.db.models import OuterRef, Subquery

from core.tenancy.scope import everywhere


def name_paths(apps: StateApps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    flags = apps.get_model("faults", "TroubleFlag").objects.filter(pk=OuterRef("flag"))
    looks = apps.get_model("faults", "Inspection").objects.filter(path__isnull=True)
    # Row-level security holds for whoever migrates, too.
    with everywhere(reason="a migration moves the rows of all contractors"):
        looks.update(path=Subquery(flags.values("path")[:1]))


def drop_looks_at_paths(apps: StateApps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """The tables of before have no place for them."""
    looks = apps.get_model("faults", "Inspection").objects.filter(flag__isnull=True)
    visits = apps.get_model("faults", "PlannedVisit").objects
    with everywhere(reason="a migration moves the rows of all contractors"):
        visits.filter(inspection__in=looks.values("pk")).update(inspection=None)
        looks.delete()
    if schema_editor.connection.vendor == "postgresql":
        # Else the table could not be altered in the same transaction.
        schema_editor.execute("SET CONSTRAINTS ALL IMMEDIATE")


class Migration(migrations.Migration):
    dependencies = [
        ("clampline_sites", "0001_initial"),
        ("faults", "0010_run_rates"),
    ]

    operations = [
        migrations.AddField(
            model_name="inspectionrules",
            name="path_look_at_chance",
            field=models.FloatField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="inspection",
            name="places",
            field=models.JSONField(blank=True, default=list),
        ),
        migrations.AlterField(
            model_name="inspection",
            name="flag",
            field=models.ForeignKey(
                blank=True,
                db_index=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="inspections",
                to="faults.troubleflag",
            ),
        ),
        migrations.AddField(
            model_name="inspection",
            name="path",
            field=models.ForeignKey(
                db_index=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="inspections",
                to="clampline_sites.wirepath",
            ),
        ),
        migrations.RunPython(name_paths, drop_looks_at_paths),
    ]
