# Each target is the only command needed on a fresh machine with Python (3.11 or newer), git and
# make: it makes a virtual environment in .venv, installs the pinned versions and runs.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check

.PHONY: demo test check bench scaling closeness torture fuzz storage clean help

help:
	@echo "make demo   search a small study (under two minutes) and draw its front"
	@echo "make test   lint, check types and run all tests"
	@echo "make bench  time the scoring and the search, as ratios in one run"
	@echo "make scaling  time runs on processes and on a Dask cluster, sample their memory (minutes)"
	@echo "make closeness  compare the search with exact fronts, ten seeds a family (minutes)"
	@echo "make torture  kill runs at random moments, resume them, compare (a quarter of an hour)"
	@echo "make fuzz   read ten thousand spoilt study and layout files within limits (a quarter of an hour)"
	@echo "make storage  test runs in buckets against a server of them (in an environment of its own)"
	@echo "make clean  remove the virtual environment and caches; results stay"

$(VENV)/.run: requirements/run.txt pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit("crankfront needs Python 3.11 or newer; try: make PYTHON=python3.11 ...") if sys.version_info < (3, 11) else None'
	$(PYTHON) -m venv $(VENV)
	$(PIP) --requirement requirements/run.txt
	$(PIP) --no-deps --editable .
	touch $@

$(VENV)/.tests: requirements/tests.txt requirements/cluster.txt $(VENV)/.run
	$(PIP) --requirement requirements/tests.txt --requirement requirements/cluster.txt
	touch $@

$(VENV)/.bench: requirements/bench.txt $(VENV)/.tests
	$(PIP) --requirement requirements/bench.txt
	touch $@

demo: $(VENV)/.run
	$(BIN)/crankfront optimize studies/compact-four-stroke.toml

check: $(VENV)/.tests
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy

# The browser and the programs that the tests of printed pages need are no Python packages.
test: check
	@{ command -v chromium || command -v chromium-browser || command -v google-chrome; } >/dev/null \
	&& command -v pdftotext >/dev/null && command -v pdftoppm >/dev/null \
	|| echo "Tests of pages in a browser need more; on Debian: apt-get install chromium poppler-utils"
	$(BIN)/python -m pytest

bench: $(VENV)/.bench
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks

scaling: $(VENV)/.tests
	$(BIN)/python -m tests.benchmarks.scaling

closeness: $(VENV)/.run
	$(BIN)/python -m tests.closeness

torture: $(VENV)/.run
	$(BIN)/python -m tests.torture

fuzz: $(VENV)/.tests
	$(BIN)/python -m tests.fuzz

# What speaks to buckets wants older packages than runs are pinned to.
storage:
	$(MAKE) VENV=$(VENV)-storage $(VENV)-storage/.tests
	$(VENV)-storage/bin/python -m pip install --quiet --disable-pip-version-check --requirement requirements/storage.txt
	$(VENV)-storage/bin/python -m pytest tests/optimize/test_storage.py

clean:
	rm -rf $(VENV) $(VENV)-storage .pytest_cache .mypy_cache .ruff_cache .hypothesis build *.egg-info
