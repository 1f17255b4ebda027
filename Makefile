# Everything here sets itself up: a fresh machine needs Python 3.11 or newer and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

# Tests run on all cores, with one thread for kernels each. WORKERS=0 runs them in one process,
# where a debugger works and kernels use all cores.
WORKERS ?= logical
PYTEST := OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 \
	$(BIN)/python -m pytest -q --numprocesses $(WORKERS) --maxprocesses 8 --dist worksteal

.PHONY: demo examples warm test test-slow test-all lint types docs docs-check bench faults fuzz attack clean

demo: $(READY)  ## run the main job on sample_gis/
	$(BIN)/shelterscape demo --out demo-output

examples: $(READY)  ## run the example scripts and the notebook
	$(BIN)/python examples/run.py examples-output

warm: $(READY)  ## compile all kernels once, before tests run in several processes
	$(BIN)/shelterscape check-setup --warm

test: warm  ## the fast tests, about 4 minutes on two cores
	$(PYTEST) -m "not slow and not realdata"

test-slow: warm  ## the slow tests and those on real data
	$(PYTEST) -m "slow or realdata"

test-all: test test-slow  ## all tests

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

faults: $(VENV)/.faults-ready  ## break copies at random places, up to an hour; run again to go on
	$(BIN)/python tests/faults.py --write

$(VENV)/.faults-ready: $(READY)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev,faults]'
	touch $(VENV)/.faults-ready

MINUTES ?= 10
fuzz: $(VENV)/.fuzz-ready  ## feed all doors with rubbish for 10 minutes, guided by coverage
	PYTHONPATH=$(CURDIR) $(BIN)/python tests/fuzz.py --minutes $(MINUTES) --write

$(VENV)/.fuzz-ready: $(READY)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev,fuzz]'
	touch $(VENV)/.fuzz-ready

CASES ?= 1000
attack: warm  ## attack all processes 1000 times, up to 15 minutes; CASE=123 repeats one case
	PYTHONPATH=$(CURDIR) OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 \
		$(BIN)/python tests/attack.py $(if $(CASE),--case $(CASE),--cases $(CASES))

$(READY): pyproject.toml hatch_build.py $(wildcard web/*.json web/*.mjs web/src/*)
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed; name it with make PYTHON=...")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	touch $(READY)

clean:
	rm -rf $(VENV) demo-output examples-output
