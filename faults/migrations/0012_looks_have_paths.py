"""Every look names its path; a path without a flag has one open look at a time."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("faults", "0011_looks_at_paths")]

    operations = [
        migrations.AlterField(
            model_name="inspection",
            name="path",
            field=models.ForeignKey(
                db_index=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="inspections",
                to="clampline_sites.wirepath",
            ),
        ),
        migrations.AddConstraint(
            model_name="inspection",
            constraint=models.UniqueConstraint(
                condition=models.Q(("flag__isnull", True)),
                fields=("contractor", "path", "number"),
                name="inspection_of_path_number",
            ),
        ),
        migrations.AddConstraint(
            model_name="inspection",
            constraint=models.UniqueConstraint(
                condition=models.Q(("flag__isnull", True), ("state", "open")),
                fields=("contractor", "path"),
                name="inspection_of_path_open_once",
            ),
        ),
        migrations.AddIndex(
            model_name="inspection",
            index=models.Index(fields=["contractor", "path", "id"], name="inspection_of_path"),
        ),
    ]
