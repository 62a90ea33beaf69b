# Every target makes .venv from nothing; `make demo` and `make test` need Python and pip only.
PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin

.PHONY: demo test check lint study bench clean

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

# what a new user can run with pip alone
test: $(VENV)/.made-test
	$(BIN)/python -m pytest -q -m "not needs_ngspice and not needs_browser and not slow"

lint: $(VENV)/.made-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# everything; needs ngspice and chromium from Debian as well, nothing skips
check: lint
	$(BIN)/coverage erase
	$(BIN)/coverage run -m pytest -q
	$(BIN)/coverage combine -q
	$(BIN)/coverage report --fail-under=90
	$(BIN)/python tests/packaging/check_wheel.py
	$(BIN)/python tests/studies/demo_seeds.py --seeds 20

study: $(VENV)/.made-test
	$(BIN)/python tests/studies/demo_seeds.py --seeds 20
	$(BIN)/python tests/studies/coverage.py --sessions 2000 --write
	$(BIN)/python tests/studies/decisions.py --runs 5000 --write

bench: $(VENV)/.made-test
	$(BIN)/python tests/benchmarks/run.py

clean:
	rm -rf $(VENV) build dist *.egg-info .coverage* .mypy_cache .ruff_cache .pytest_cache
