# Works with nothing but python3 (3.11 or newer), its pip, git and make: no root, no apt, no venv module.
# `pip install --target` is allowed where plain `pip install` and `python3 -m venv` are refused (PEP 668, no ensurepip);
# it brings uv, and uv brings the rest, pinned and hashed by requirements/dev.txt.

.DEFAULT_GOAL := help
SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DELETE_ON_ERROR:
# Where an environment forbids it, each of the hundreds of processes of the tests compiles every library anew: half of their time (measured).
export PYTHONDONTWRITEBYTECODE :=

UV_VERSION := 0.13.9
UV := PYTHONPATH=.tools UV_PYTHON_DOWNLOADS=never python3 -m uv
UV_STAMP := .tools/.uv-$(UV_VERSION)
BIN := .venv/bin
STAMP := .venv/.stamp
PEERS_STAMP := .tools/peers/.stamp
COMPILE := pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
           --custom-compile-command 'make lock' --extra postgres pyproject.toml

.PHONY: help setup demo test second-stack lint types coverage bench bench-routing wire-faults retrieval campaign proof kills fuzz peers lock

help:  ## print the targets
	@sed -nE 's/^([a-z-]+):.*## (.*)/  make \1\t\2/p' $(MAKEFILE_LIST) | expand -t 18,20

setup: $(STAMP)  ## bring the pinned tools and libraries into .venv

demo: $(STAMP)  ## run the simulated cell with its page; ARGS="--pallets 12 --seed 7 --speed 60"
	@$(BIN)/pointsman bench $(ARGS)

test: $(STAMP)  ## every gate: lint, import contract, types, all tests; ARGS go to pytest
	@$(MAKE) --no-print-directory --jobs=3 --output-sync=target lint types second-stack
	@$(BIN)/python -m pytest --numprocesses 3 --dist loadfile --no-loadscope-reorder $(ARGS)

second-stack:
	@if command -v npm >/dev/null; then $(MAKE) --no-print-directory $(PEERS_STAMP) || echo "make: npm brought no second stack; its tests are skipped"; fi

lint: $(STAMP)  ## ruff check, ruff format, import contract
	@$(BIN)/ruff check
	@$(BIN)/ruff format --check
	@$(BIN)/lint-imports --no-logo

types: $(STAMP)  ## pyright, strict
	@$(BIN)/pyright --warnings

coverage: $(STAMP)  ## all tests with branch coverage; ARGS go to pytest
	@$(BIN)/coverage run -m pytest $(ARGS)
	@$(BIN)/coverage report

bench: $(STAMP)  ## every figure beside its denominator (docs/explanation/figures.md); ARGS names some
	@$(BIN)/python -m tests.bench $(ARGS)

bench-routing: $(STAMP)  ## how far routing is from the best (docs/explanation/routing.md); ARGS="--cells 50 --large 2 --shops 10"
	@$(BIN)/python -m tests.bench.routing $(ARGS)

wire-faults: $(STAMP)  ## whole cells through failing networks (docs/explanation/faults.md); ARGS="--runs 20 --first 1"
	@$(BIN)/python -m simulators.bench.wire_faults $(ARGS)

retrieval: $(STAMP)  ## how long questions about a million results take (docs/explanation/retrieval.md); ARGS="--results 1000000 --database ADDRESS"
	@$(BIN)/python -m tests.bench.retrieval $(ARGS)

SEEDS := 100
FIRST := 1
campaign: $(STAMP)  ## many seeds of random cells with faults (docs/explanation/campaign.md); SEEDS=10000 FIRST=1
	@$(BIN)/python -m simulators.bench.campaign --seeds $(SEEDS) --first $(FIRST) $(ARGS)

proof: $(STAMP)  ## every state of the smallest cells, with the production core (docs/explanation/proof.md); ARGS="--cell swap --budget late=1"
	@$(BIN)/python -m simulators.bench.proof $(ARGS)
	@$(BIN)/python -m pytest -q -m "soak or not soak" tests/property/proof

kills: $(STAMP)  ## the real service killed at every step of its work, machines too (docs/explanation/recovery.md); ARGS="--repeats 20 --store sqlite"
	@$(BIN)/python -m tests.system.kills $(ARGS)

fuzz: $(STAMP)  ## tags, declarations, results and REST in their long form (docs/explanation/fuzzing.md); ARGS go to pytest
	@FUZZ=long $(BIN)/python -m pytest tests/fuzz -q $(ARGS)

peers: $(STAMP) $(PEERS_STAMP)  ## shipped profiles against stations on a second OPC UA stack (node and npm); ARGS go to pytest
	@$(BIN)/python -m pytest tests/peers -q $(ARGS)

$(PEERS_STAMP): tests/peers/package.json | $(UV_STAMP)
	@timeout 180 npm install --prefix .tools/peers --no-audit --no-fund --no-package-lock --silent $$(node -p "Object.entries(require('./tests/peers/package.json').dependencies).map((one) => one.join('@')).join(' ')")
	@touch $@

lock: $(UV_STAMP)  ## compile requirements/ from pyproject.toml; ARGS=--upgrade takes newer versions
	@$(UV) $(COMPILE) --output-file requirements/runtime.txt $(ARGS)
	@$(UV) $(COMPILE) --group dev --constraint requirements/runtime.txt --output-file requirements/dev.txt $(ARGS)

$(UV_STAMP):
	@rm -rf .tools
	@python3 -m pip install --quiet --disable-pip-version-check --root-user-action ignore --target .tools 'uv==$(UV_VERSION)'
	@touch $@

$(STAMP): $(UV_STAMP) requirements/dev.txt pyproject.toml
	@test -x $(BIN)/python || $(UV) venv --quiet --python "$$(python3 -c 'import sys; print(sys.executable)')" .venv
	@$(UV) pip sync --quiet --require-hashes --python $(BIN)/python requirements/dev.txt
	@$(UV) pip install --quiet --no-deps --no-build-isolation --python $(BIN)/python --editable .
	@touch $@
