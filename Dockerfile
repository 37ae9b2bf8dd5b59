# One image for web, worker, beat and the commands. Nothing in it can be written to, and it runs as
# a user without rights; what has to last lies in PostgreSQL and Redis, photos and reports in /media.

FROM python:3.11-slim-bookworm AS packages
COPY requirements.txt /packages/
RUN python -m venv /packages/venv \
    && /packages/venv/bin/pip install --no-cache-dir --disable-pip-version-check \
        --require-hashes -r /packages/requirements.txt

FROM python:3.11-slim-bookworm
RUN apt-get update \
    && apt-get install -y --no-install-recommends \
        libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core \
    && rm -rf /var/lib/apt/lists/*
RUN useradd --system --uid 10001 --no-create-home --shell /usr/sbin/nologin clampline \
    && install --directory --owner clampline /media
COPY --from=packages /packages/venv /packages/venv
WORKDIR /app
COPY manage.py ./
COPY core core
COPY sites sites
COPY faults faults
COPY api api
COPY demo demo
ENV PATH=/packages/venv/bin:$PATH \
    PYTHONDONTWRITEBYTECODE=1 \
    PYTHONUNBUFFERED=1 \
    OPENBLAS_NUM_THREADS=1 \
    DJANGO_SETTINGS_MODULE=core.settings.production
# Gathering files signs nothing: the key is thrown away with this line, and no server is asked.
RUN CLAMPLINE_SECRET_KEY="$(python -c 'import secrets; print(secrets.token_urlsafe(60))')" \
    CLAMPLINE_ALLOWED_HOSTS=localhost \
    DATABASE_URL=postgres://localhost/none REDIS_URL=redis://localhost/0 \
    python manage.py collectstatic --noinput
USER 10001
EXPOSE 8000
CMD ["gunicorn", "core.wsgi:application", "--bind", "0.0.0.0:8000", "--worker-class", "gthread", \
     "--workers", "2", "--threads", "8", "--timeout", "60", "--graceful-timeout", "20", \
     "--worker-tmp-dir", "/dev/shm", "--no-control-socket"]
