"""Calls from before: those closed were closed for their reason, those waiting wait until a day."""

from django.db import migrations, models
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.state import StateApps
from django.db.models import F
from django.utils import timezone


def fit(apps: StateApps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    calls = apps.get_model("faults", "FaultCall").objects
    calls.filter(state="closed").update(untested_why=F("outcome_reason"))
    calls.filter(state="waiting").update(wait_kind="other")
    calls.filter(state="waiting", waits_until__isnull=True).update(
        waits_until=timezone.now().date()
    )


class Migration(migrations.Migration):
    dependencies = [("faults", "0003_repairs_and_tests")]

    operations = [
        migrations.RunPython(fit, migrations.RunPython.noop),
        migrations.AddConstraint(
            model_name="faultcall",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("state", "closed"),
                        models.Q(
                            ("closing_test__isnull", False),
                            models.Q(("untested_why", ""), _negated=True),
                            _connector="OR",
                        ),
                    ),
                    models.Q(
                        models.Q(("state", "closed"), _negated=True),
                        ("closing_test__isnull", True),
                        ("untested_why", ""),
                    ),
                    _connector="OR",
                ),
                name="call_closed_tested_or_says_why",
            ),
        ),
        migrations.AddConstraint(
            model_name="faultcall",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("state", "waiting"),
                        ("waits_until__isnull", False),
                        models.Q(("wait_kind", ""), _negated=True),
                    ),
                    models.Q(
                        models.Q(("state", "waiting"), _negated=True),
                        ("wait_kind", ""),
                        ("waits_until__isnull", True),
                    ),
                    _connector="OR",
                ),
                name="call_waits_for_a_day",
            ),
        ),
    ]
