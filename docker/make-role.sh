#!/bin/sh
# Run once by the PostgreSQL image, on an empty database: the role that Clampline connects as. It
# owns its database and is no superuser, so that row-level security holds for it.
set -eu
psql --set=ON_ERROR_STOP=1 --set=password="$CLAMPLINE_DATABASE_PASSWORD" \
    --username="$POSTGRES_USER" --dbname=postgres <<'SQL'
CREATE ROLE clampline LOGIN NOSUPERUSER PASSWORD :'password';
CREATE DATABASE clampline OWNER clampline;
SQL
