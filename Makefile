# Everything here sets itself up: a fresh machine needs Python 3.11 or newer and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

.PHONY: demo test test-all lint types docs docs-check bench clean

demo: $(READY)  ## run the main job on sample_gis/
	$(BIN)/shelterscape demo --out demo-output

test: $(READY)  ## the fast tests, under 5 minutes
	$(BIN)/python -m pytest -q -m "not slow and not realdata"

test-all: $(READY)  ## all tests, slow and real-data ones too
	$(BIN)/python -m pytest -q

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(READY)
	$(BIN)/mypy

docs: $(READY)  ## write the generated pages
	$(BIN)/python docs/generate.py

docs-check: $(READY)  ## fail when a generated page is stale
	$(BIN)/python docs/generate.py --check

bench: $(READY)  ## measure speed and write docs/benchmarks.md
	$(BIN)/python benchmarks/run.py

$(READY): pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed; name it with make PYTHON=...")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	touch $(READY)

clean:
	rm -rf $(VENV) demo-output
