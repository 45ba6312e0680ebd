# Everything here needs only Python 3.11 to 3.13, make and a package index.
PYTHON ?= python3
VENV := .venv
CHROMIUM := /usr/bin/chromium
BIN := $(VENV)/bin
READY := $(VENV)/ready
READY_DEV := $(VENV)/ready-dev
READY_TOOLS := $(VENV)/ready-tools
# Neither resolves nor fetches what a package is built with: the lock says it all, and no later release of any package
# can change or break what is installed.
INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation
INSTALL_LOCKED := $(INSTALL) --require-hashes -r
AGREES := $(BIN)/python -m pip check
# Extras are kept: where a lock drops them, a pip that resolves asks for `name[extra]` again and finds it unpinned.
COMPILE := $(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-annotate \
	--no-strip-extras --no-emit-index-url --no-emit-find-links --upgrade

.PHONY: demo test fuzz fuzz-guided browser lint types contracts check bench mutants twins format docs schema sample golden example-report lock clean
.DELETE_ON_ERROR:

demo: $(READY)
	$(BIN)/deicer-audit demo --out reports/demo
	@echo "The report is reports/demo/report.html"

test: $(READY_DEV) browser
	$(BIN)/python -m pytest

# The report's tests look at it in a browser, and fail where there is none.
browser: $(READY_DEV)
	@[ -x $(CHROMIUM) ] || { [ "$$(id -u)" = 0 ] && apt-get update -qq && \
		apt-get install -y -qq --no-install-recommends chromium; } || \
		$(BIN)/playwright install chromium || echo "No browser could be installed: put Chromium at $(CHROMIUM)" >&2

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

# Changes to the code that judges that no test notices: so many of them, drawn by the seed, or with SAMPLE=0 all; each is
# tried with the tests that promise most, as long as they take. OF=audit.timeline.records draws from one module only.
SAMPLE ?= 400
SEED ?= 1
EACH ?= 20
mutants: $(READY_TOOLS)
	$(BIN)/python -m tests.mutants $(SAMPLE) $(SEED) $(EACH) $(OF)

# The forms against their slow twins, on many more exports than `test` has time for, and never the same: an hour.
twins: $(READY_DEV)
	$(BIN)/python -m pytest --hypothesis-profile=thorough tests/forms/test_against_twin.py tests/forms/test_possible_worlds.py tests/evidence/test_seasons.py

# Mutated exports, mappings and rule files: each is read, or refused in one sentence.
fuzz: $(READY_DEV)
	$(BIN)/python -m tests.fuzzing 20000

# The same, led by what the input reaches: a minute for each kind, on Linux.
fuzz-guided: $(READY_TOOLS)
	for kind in csv mapped xlsx parquet zip mapping rule; do \
		$(BIN)/python -m tests.guided_fuzzing $$kind 60 || exit 1; done

format: $(READY_DEV)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

# What is made from the code and the rules: parts of the pages, the catalogue, the schema.
docs: $(READY_DEV)
	$(BIN)/python -m tests.generated_docs --write

schema: $(READY)
	$(BIN)/python -m audit.authoring.editor_schema > $(VENV)/rule.schema.json
	$(BIN)/python -m audit.authoring.editor_schema settings > $(VENV)/settings.schema.json
	$(BIN)/python -m audit.intake.mapping_schema > $(VENV)/mapping.schema.json
	mv $(VENV)/rule.schema.json $(VENV)/settings.schema.json $(VENV)/mapping.schema.json rules/

# The sample records, from their story.
sample: $(READY)
	$(BIN)/python -m sample_records.plant

# Whole outputs of an invented result, which the tests compare byte for byte.
golden: $(READY_DEV)
	$(BIN)/python -m tests.golden_files --write

# The report that stands in the repository as an example, and the pictures of it and of the terminal.
example-report: demo browser
	cp reports/demo/report.html reports/example.html
	$(BIN)/python -m tests.report_pictures reports/example.html
	$(BIN)/python -m tests.summary_picture

# The lock files carry hashes and no addresses: any package index serves.
lock: $(READY_TOOLS)
	$(COMPILE) pyproject.toml --extra build --output-file requirements.lock
	$(COMPILE) pyproject.toml --extra dev --output-file requirements-dev.lock
	$(COMPILE) --group tools --constraint requirements-dev.lock --output-file requirements-tools.lock

# A venv that could not be finished is no venv: the next call starts afresh.
$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' || \
		{ echo "Python 3.11 to 3.13 is needed: make PYTHON=python3.12 ..." >&2; exit 1; }
	$(PYTHON) -m venv $(VENV) || { rm -rf $(VENV); exit 1; }

# The build backend is in the lock too: nothing without a hash is fetched.
$(READY): $(BIN)/python requirements.lock pyproject.toml
	$(INSTALL_LOCKED) requirements.lock
	$(INSTALL) --editable .
	$(AGREES)
	touch $@

$(READY_DEV): $(READY) requirements-dev.lock
	$(INSTALL_LOCKED) requirements-dev.lock
	$(AGREES)
	touch $@

# What only `make lock`, `make mutants` and `make fuzz-guided` need.
$(READY_TOOLS): $(READY_DEV) requirements-tools.lock
	$(INSTALL_LOCKED) requirements-tools.lock
	$(AGREES)
	touch $@

clean:
	rm -rf $(VENV) reports/demo mutants
