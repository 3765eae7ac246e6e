# Everything a newcomer needs: make demo, make test. Both set up .venv by themselves.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

# What `make faults` tries, each with a table and a verdict of its own.
FAULTS := tests.faults tests.kills tests.ways_of_dying tests.strangers

.PHONY: demo test check bench study faults soak clean

$(VENV)/ready: pyproject.toml
	$(PYTHON) -c 'import sys; assert sys.version_info >= (3, 11), "stuckpin needs Python 3.11 or newer: make PYTHON=python3.12 ..."'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable ".[dev]"
	touch $@

# stuckpin ends with 1 when a pin sticks; on the Fernhill board some do, so 1 is what the demo must give.
demo: $(VENV)/ready
	$(BIN)/stuckpin demo; status=$$?; test $$status -eq 1

test: $(VENV)/ready
	$(BIN)/python -m pytest -q -n 2

check: $(VENV)/ready
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(VENV)/ready
	$(BIN)/python -m tests.speed

# Some 35 minutes on two idle cores. Writes the page, and ends with 1 where anything falls short.
study: $(VENV)/ready
	$(BIN)/python -m tests.study --write docs/study.md

# Over an hour on two idle cores. What becomes of a run whose wires and instruments go wrong, that is killed, that dies.
faults: $(VENV)/ready
	@status=0; for tried in $(FAULTS); do $(BIN)/python -m $$tried || status=1; done; \
	if [ $$status -eq 0 ]; then echo "faults: everything holds"; else echo "faults: FALLS SHORT"; fi; exit $$status

# Some 50 minutes and then the analysis, on two idle cores: 50,000 trials watched from outside, for memory, files, threads and pace.
soak: $(VENV)/ready
	$(BIN)/python -m tests.soak

clean:
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache
