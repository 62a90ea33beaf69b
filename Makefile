# Every target makes .venv from nothing; `make demo` and `make test` need Python and pip only.
PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin

.PHONY: demo test check rest lint study bench clean

$(VENV)/.made-run: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e .
	touch $@

$(VENV)/.made-test: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[test]'
	touch $@ $(VENV)/.made-run

$(VENV)/.made-dev: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev]'
	touch $@ $(VENV)/.made-test $(VENV)/.made-run

demo: $(VENV)/.made-run
	$(BIN)/labbench demo

# what a new user can run with pip alone (pytest-xdist spreads it over two processes);
# `make check` runs the same under coverage
PYTEST ?= $(BIN)/python -m pytest
QUICK  := not needs_ngspice and not slow

test: $(VENV)/.made-test
	$(PYTEST) -q -n 2 --dist loadfile -m "$(QUICK)"

lint: $(VENV)/.made-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# everything; needs ngspice from Debian as well, nothing skips
check: lint
	$(BIN)/coverage erase
	$(MAKE) test PYTEST="$(BIN)/coverage run -m pytest"
	$(MAKE) rest

# what `make check` runs beyond lint and `make test`
rest: $(VENV)/.made-dev
	$(BIN)/coverage run -m pytest -q -n 2 --dist loadfile -m "not ($(QUICK))" --ignore=tests/faults --ignore=tests/studies
	$(BIN)/python -m pytest -q -n 2 --dist loadfile -m "not ($(QUICK))" tests/studies   # numbers: not under coverage
	$(BIN)/python -m pytest -q -m "not ($(QUICK))" tests/faults   # thousands of cases: not under coverage
	$(BIN)/coverage combine -q
	$(BIN)/coverage report --fail-under=90
	$(BIN)/python tests/packaging/check_wheel.py
	$(BIN)/python tests/studies/demo_seeds.py --seeds 20

# the studies behind the tables in tests/studies/results; hours on a slow machine
study: $(VENV)/.made-test
	$(BIN)/python tests/studies/demo_seeds.py --seeds 20
	$(BIN)/python tests/studies/detection.py --write
	$(BIN)/python -m tests.studies.attainable --write
	$(BIN)/python tests/studies/robustness.py --write
	$(BIN)/python tests/studies/recovery.py --write
	$(BIN)/python -m tests.studies.bias --write
	$(BIN)/python tests/studies/mixed_lots.py --write
	$(BIN)/python -m tests.studies.switch_judging
	$(BIN)/python -m tests.studies.switch_detection --write
	$(BIN)/python -m tests.studies.stage_detection --write
	$(BIN)/python -m tests.studies.load_detection --write
	$(BIN)/python -m tests.studies.safety --write
	$(BIN)/python -m tests.studies.switch_exchanges --write

bench: $(VENV)/.made-test
	$(BIN)/python tests/benchmarks/run.py

clean:
	rm -rf $(VENV) build dist *.egg-info .coverage* .mypy_cache .ruff_cache .pytest_cache
