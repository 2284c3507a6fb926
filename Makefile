# Two commands do all the set-up: make demo, make test.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
DEMO ?= demo-project

.PHONY: demo mutants test test-oldest test-newest versions install lint docs check-all clean system

demo: $(VENV)/.installed
	rm -rf $(DEMO)
	$(BIN)/facademap demo $(DEMO)
	@echo "Open $(DEMO)/out/condition-map.html in a browser, or run: $(BIN)/facademap serve $(DEMO)"

test: $(VENV)/.installed-dev system
	$(BIN)/python tests/script.py test
	$(BIN)/pytest -n 2 --dist loadfile tests

install: $(VENV)/.installed

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "error: Python 3.11 or newer is needed; fix: install it, or run make PYTHON=/path/to/python3.11"; exit 2; }
	@$(PYTHON) -m venv $(VENV) || \
	  { echo "error: this Python cannot make virtual environments; fix: apt-get install python3-venv"; exit 2; }

$(VENV)/.installed: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	@touch $@

$(VENV)/.installed-dev: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	@touch $@ $(VENV)/.installed

# A real browser and a real PDF reader for the tests; Debian's packages, only where they are missing.
system:
	@sh tests/system.sh

mutants: $(VENV)/.installed-dev
	$(BIN)/python tests/mutation/run.py --named

# The oldest versions that pyproject.toml allows, and a newer Python with the newest of all, each in an environment of
# its own. TESTS picks; NEWER is a Python that is on the machine (or one that uv may fetch).
TESTS ?= tests/unit tests/property tests/contract
NEWER ?= 3.13
build/uv/bin/uv:
	@$(PYTHON) -m venv build/uv
	build/uv/bin/pip install --quiet --disable-pip-version-check uv

test-oldest: build/uv/bin/uv
	build/uv/bin/uv venv --quiet --clear --python $(PYTHON) build/oldest
	build/uv/bin/uv pip compile --quiet --resolution lowest-direct --extra dev pyproject.toml -o build/oldest.txt
	build/uv/bin/uv pip sync --quiet --python build/oldest/bin/python build/oldest.txt
	PYTHONPATH=$(CURDIR) build/oldest/bin/python -m pytest $(TESTS)

test-newest: build/uv/bin/uv
	build/uv/bin/uv venv --quiet --clear --python $(NEWER) build/newest
	build/uv/bin/uv pip compile --quiet --python $(NEWER) --extra dev pyproject.toml -o build/newest.txt
	build/uv/bin/uv pip sync --quiet --python build/newest/bin/python build/newest.txt
	PYTHONPATH=$(CURDIR) build/newest/bin/python -m pytest $(TESTS)

# Renew the versions that the landing checks run with, from an environment that passed.
versions: $(VENV)/.installed-dev
	@{ sed -n 1p .ci/constraints.txt; $(BIN)/pip freeze --exclude-editable | grep -E '^[A-Za-z0-9_.-]+==' | sort -f; } > .ci/constraints.new
	@mv .ci/constraints.new .ci/constraints.txt

lint: $(VENV)/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python tests/script.py lint

docs: $(VENV)/.installed-dev
	$(BIN)/python -m docs.tables > docs/tables.md
	$(BIN)/python -m docs.commands > docs/commands.md
	$(BIN)/python -m docs.formats > docs/formats.md
	$(BIN)/python -m docs.pictures
	$(BIN)/python -m docs.walk
	$(BIN)/python -m docs.reference
	$(BIN)/sphinx-build -q -W --keep-going -b html docs docs/_build

check-all: lint test docs

clean:
	rm -rf $(VENV) $(DEMO) build dist docs/_build
