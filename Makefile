# Works with nothing but python3 (3.11 or newer), its pip, git and make: no root, no apt, no venv module.
# `pip install --target` is allowed where plain `pip install` and `python3 -m venv` are refused (PEP 668, no ensurepip);
# it brings uv, and uv brings the rest, pinned and hashed by requirements/dev.txt.

.DEFAULT_GOAL := help
SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DELETE_ON_ERROR:

UV_VERSION := 0.13.9
UV := PYTHONPATH=.tools UV_PYTHON_DOWNLOADS=never python3 -m uv
BIN := .venv/bin
UV_STAMP := .tools/.uv-$(UV_VERSION)
STAMP := .venv/.stamp

.PHONY: help setup
help:  ## print the targets
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /\1\t/' | awk -F'\t' '{printf "  make %-10s %s\n", $$1, $$2}'

$(UV_STAMP):
	@rm -rf .tools
	@python3 -m pip install --quiet --disable-pip-version-check --root-user-action ignore --target .tools 'uv==$(UV_VERSION)'
	@touch $@

$(STAMP): $(UV_STAMP) requirements/dev.txt pyproject.toml
	@test -x $(BIN)/python || $(UV) venv --quiet --python "$$(python3 -c 'import sys; print(sys.executable)')" .venv
	@$(UV) pip sync --quiet --require-hashes --python $(BIN)/python requirements/dev.txt
	@$(UV) pip install --quiet --no-deps --no-build-isolation --python $(BIN)/python --editable .
	@touch $@

setup: $(STAMP)  ## bring the pinned tools and libraries into .venv
