# `make` alone lists what there is to do.
# It needs Python 3.11 and Debian 12; everything else is installed by the targets themselves.

SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
MAKEFLAGS += --no-print-directory
# Every process of a test run reads the same compiled modules, whatever the shell prefers.
unexport PYTHONDONTWRITEBYTECODE

PYTHON ?= python3.11
VENV ?= .venv
BIN := $(VENV)/bin
# Processes that run tests side by side: tests of services mostly wait, so one more than two cores.
WORKERS ?= 3
# Those on PostgreSQL run beside the others, and end long before them.
POSTGRES_WORKERS ?= 2
# Quick tests never wait.
QUICK_WORKERS ?= 2
# What the browser tests take from npm.
AXE := tests/browser/node_modules/axe-core/axe.min.js
# More words for pytest, for example: make test ARGS="-k ladder -x"
ARGS ?=
# Where `make demo` and `make stack` listen; `make demo SERVE=no` ends when the data is there.
BIND ?= 127.0.0.1:8000
SERVE ?= yes

PIP_INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes

.PHONY: help demo stack test test-sqlite test-postgres quick lint format lock install debian debian-services browser debian-browser clean

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z%-]+:.*## / {printf "  make %-13s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

demo: $(VENV)/.runtime ## install, locate and prove a short, make two years of invented data, serve it
	@$(BIN)/python manage.py rehearse demo/north_lawn.json
	@$(BIN)/python manage.py migrate --verbosity 0
	@$(BIN)/python manage.py make_demo --address $(BIND)
ifneq ($(SERVE),no)
	@exec $(BIN)/python manage.py serve --bind $(BIND)
endif

stack: debian-services $(VENV)/.runtime ## the same data on PostgreSQL and Redis: web, worker and beat
	@exec $(BIN)/python -m demo.stack --bind $(BIND)

# Side by side, for many of them wait; each run says all it has to say at its end.
test: debian debian-services browser $(VENV)/.development ## install what the tests need, then run all of them, on both databases
	@$(MAKE) --jobs=2 --output-sync=target test-sqlite test-postgres

test-sqlite: debian debian-services browser $(VENV)/.development ## all tests, on SQLite
	@$(BIN)/python -m pytest -n $(WORKERS) --dist worksteal $(ARGS)

# Status 5: none of the tests that ARGS chooses touches a database.
test-postgres: debian-services $(VENV)/.development ## those that touch a database, on PostgreSQL
	@$(BIN)/python -m tests.services.with_postgres -- \
		$(BIN)/python -m pytest -n $(POSTGRES_WORKERS) --dist worksteal -m database $(ARGS) \
		|| $(if $(strip $(ARGS)),[ $$? -eq 5 ],exit $$?)

quick: debian lint ## below 90 s: checks of the code, and the tests not marked slow
	@$(BIN)/python -m pytest -n $(QUICK_WORKERS) --dist worksteal -m "not slow" $(ARGS)

lint: $(VENV)/.development ## ruff, mypy, the import contracts, Django's own checks
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports
	@$(BIN)/python manage.py check --fail-level WARNING

format: $(VENV)/.development ## put the code into the project's form
	@$(BIN)/ruff check --fix .
	@$(BIN)/ruff format .

bench-%: $(VENV)/.development ## one part of the benchmarks, at most 25 minutes; see docs/benchmarks.md, e.g. make bench-solve
	@$(BIN)/python -m benchmarks $*

lock: $(VENV)/.development ## write requirements*.txt anew from requirements*.in, with hashes
	@$(BIN)/uv pip compile $(LOCK_OPTIONS) requirements.in -o requirements.txt
	@$(BIN)/uv pip compile $(LOCK_OPTIONS) -c requirements.txt requirements-dev.in -o requirements-dev.txt

install: debian debian-services $(VENV)/.development ## all that development needs, and the commit hooks
	@if [ -d .git ]; then $(BIN)/pre-commit install; fi

clean: ## remove the environment and all caches
	@rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
	@find . -name __pycache__ -type d -prune -exec rm -rf {} +

LOCK_OPTIONS := --generate-hashes --python-version 3.11 --quiet \
	--no-emit-index-url --no-emit-find-links --custom-compile-command 'make lock'

debian:
	@.ci/debian-packages ngspice venv postgresql redis pango

# Chromium, and the accessibility checks that the tests run within it.
browser: debian-browser $(AXE)

debian-browser:
	@.ci/debian-packages chromium npm

$(AXE): tests/browser/package.json tests/browser/package-lock.json
	@cd tests/browser && npm ci --silent --no-audit --no-fund --ignore-scripts
	@touch $@

$(BIN)/python:
	@PYTHON=$(PYTHON) .ci/debian-packages venv
	@$(PYTHON) -m venv $(VENV)

# A stamp tells which lock the environment was made from.
$(VENV)/.runtime: requirements.txt | $(BIN)/python
	@if [ ! -e $(VENV)/.development ]; then \
		echo "Installing what the product needs into $(VENV) ..."; \
		$(PIP_INSTALL) -r requirements.txt; \
	fi
	@touch $@

$(VENV)/.development: requirements.txt requirements-dev.txt | $(BIN)/python
	@echo "Installing what tests and checks need into $(VENV) ..."
	@$(PIP_INSTALL) -r requirements-dev.txt
	@touch $@ $(VENV)/.runtime
