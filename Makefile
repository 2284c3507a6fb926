# Two commands do all the set-up: make demo, make test.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
DEMO ?= demo-project

.PHONY: demo mutants test install lint docs check-all clean system

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

lint: $(VENV)/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python tests/script.py lint

docs: $(VENV)/.installed-dev
	$(BIN)/python -m docs.tables > docs/tables.md
	$(BIN)/python -m docs.commands > docs/commands.md
	$(BIN)/python -m docs.formats > docs/formats.md
	$(BIN)/sphinx-build -q -W --keep-going -b html docs docs/_build

check-all: lint test docs

clean:
	rm -rf $(VENV) $(DEMO) build dist docs/_build
