# Everything here needs only Python 3.11 to 3.13, make and a package index.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/ready
READY_DEV := $(VENV)/ready-dev

.PHONY: demo test lint types contracts check bench format lock schema example-report clean

demo: $(READY)
	$(BIN)/deicer-audit demo --out reports/demo || test $$? -eq 1
	@echo "The report is reports/demo/report.html"

test: $(READY_DEV)
	$(BIN)/python -m pytest

lint: $(READY_DEV)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(READY_DEV)
	$(BIN)/mypy

contracts: $(READY_DEV)
	$(BIN)/lint-imports

check: lint types contracts test

bench: $(READY_DEV)
	$(BIN)/python -m benchmarks.run

format: $(READY_DEV)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

# The report that stands in the repository as an example.
example-report: $(READY)
	$(BIN)/deicer-audit demo --out reports/demo || test $$? -eq 1
	cp reports/demo/report.html reports/example.html

# The lock files carry hashes and no addresses: any package index serves.
lock:
	$(PYTHON) -m pip install --quiet uv
	uv pip compile pyproject.toml --extra build --universal --python-version 3.11 --generate-hashes --no-header --no-annotate --upgrade --output-file requirements.lock
	uv pip compile pyproject.toml --extra dev --universal --python-version 3.11 --generate-hashes --no-header --no-annotate --upgrade --output-file requirements-dev.lock

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)

# The build backend is in the lock too: nothing without a hash is fetched.
$(READY): $(VENV)/bin/python requirements.lock pyproject.toml
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	touch $@

$(READY_DEV): $(READY) requirements-dev.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock
	touch $@

clean:
	rm -rf $(VENV) reports/demo
