# Each target sets up what it needs, from a machine that has python3 (3.11 or newer) and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
# Many tests wait for programs and clocks, so a small machine can do more of them at a time than it has cores.
WORKERS = $(shell $(PYTHON) -c 'import os; print(max(4, os.cpu_count() or 1))')
INSTALL = $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile
LOCK = $(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-annotate \
	--custom-compile-command 'make lock' $(UPGRADE)

# Hundreds of tests start the program anew. Without bytecode each start would compile it anew, and take twice as long.
unexport PYTHONDONTWRITEBYTECODE

.DEFAULT_GOAL := help
.PHONY: help demo test check format bench backtest docs pictures lock audit sbom clean

help: ## this list
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*## /\t/' | expand -t 12

$(READY): pyproject.toml locks/build.txt locks/dev.txt
	@$(PYTHON) -c 'import sys; sys.exit("Lowmark needs Python 3.11 or newer; this is " + sys.version.split()[0] + ". Try: make PYTHON=python3.12") if sys.version_info < (3, 11) else None'
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { echo "This Python cannot make virtual environments. On Debian: apt-get install python3-venv"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(INSTALL) --require-hashes -r locks/build.txt
	$(INSTALL) --require-hashes -r locks/dev.txt
	$(INSTALL) --no-deps --no-build-isolation --editable .
	@touch $(READY)

demo: $(READY) ## the main job on a simulated fleet, with 120 days of history; Ctrl-C ends it (ARGS="--port 1261")
	@$(BIN)/lowmark demo $(ARGS)

test: $(READY) ## all tests
	$(BIN)/python -m pytest -q -n $(WORKERS) --dist loadfile --no-loadscope-reorder

check: $(READY) ## format, lint, types, import contracts, known weaknesses of what is installed
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m tests.supply.audit

format: $(READY) ## put the code into form
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

bench: $(READY) ## speed and memory against peers, in one run
	$(BIN)/python -m tests.bench

backtest: $(READY) ## forecasts against simulated truth: a table and JSON
	$(BIN)/python -m tests.backtest

docs: $(READY) ## write the pages of docs/ that are made from the program
	$(BIN)/python -m tests.docs.pages

pictures: $(READY) ## write docs/pictures anew, by a run of the program in a browser
	$(BIN)/python -m tests.docs.pictures

lock: $(READY) ## write locks/ anew from pyproject.toml; UPGRADE=--upgrade takes the latest of everything
	$(LOCK) pyproject.toml --all-extras --group dev -o locks/dev.txt
	$(LOCK) pyproject.toml --all-extras -c locks/dev.txt -o locks/runtime.txt
	$(LOCK) --group build -c locks/dev.txt -o locks/build.txt

audit: $(READY) ## look the locked versions up among known weaknesses
	$(BIN)/python -m tests.supply.audit

sbom: $(READY) ## what the program consists of, as CycloneDX JSON
	$(BIN)/python -m tests.supply.bill

clean: ## remove what the other targets made
	rm -rf $(VENV) .mypy_cache .pytest_cache .ruff_cache .import_linter_cache build dist
