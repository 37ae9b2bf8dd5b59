from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('faults', '0018_soak_readings'),
    ]

    operations = [
        migrations.AddField(
            model_name='returntest',
            name='warnings',
            field=models.JSONField(default=list),
        ),
        migrations.AddField(
            model_name='soakcheck',
            name='least_terminal_v',
            field=models.FloatField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='soakcheck',
            name='least_terminal_v_basis',
            field=models.CharField(blank=True, max_length=20),
        ),
        migrations.AddField(
            model_name='soakcheck',
            name='outside',
            field=models.JSONField(default=list),
        ),
        migrations.AddField(
            model_name='soakcheck',
            name='warnings',
            field=models.JSONField(default=list),
        ),
        migrations.AddField(
            model_name='soakcheckleg',
            name='basis',
            field=models.CharField(blank=True, max_length=20),
        ),
        migrations.AddField(
            model_name='soakcheckleg',
            name='least_far_v',
            field=models.FloatField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='soakcheckleg',
            name='least_far_v_basis',
            field=models.CharField(blank=True, max_length=20),
        ),
        migrations.AddField(
            model_name='soakcheckleg',
            name='least_ma',
            field=models.FloatField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='soakcheckleg',
            name='most_ma',
            field=models.FloatField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='soakcheckleg',
            name='within',
            field=models.BooleanField(blank=True, null=True),
        ),
    ]
