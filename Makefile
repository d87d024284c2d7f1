# Each target works from a bare clone with Python 3.11 and make: the first call makes .venv, quietly, once.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: demo test lint bench golden lock agreement mutation clean

$(STAMP): requirements.lock pyproject.toml
	@test -d $(VENV) || $(PYTHON) -m venv $(VENV)
	@echo "installing what is needed into $(VENV), once ..." >&2
	@$(BIN)/pip install --quiet --disable-pip-version-check -r requirements.lock
	@$(BIN)/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $(STAMP)

demo: $(STAMP) ## the whole job for an invented patient; leaves build/demo/
	@$(BIN)/waykeeper demo --output build/demo

test: $(STAMP) ## each part, in minutes; with WAYKEEPER_REQUIRE_REAL_SERVER=1 everything, as in CI
	@$(BIN)/python tests/contract/prepare.py
	@# its many processes compile nothing twice
	@PYTHONDONTWRITEBYTECODE= $(BIN)/python -m pytest -n 2 --dist loadgroup --no-loadscope-reorder

lint: $(STAMP) ## style, types, and which room may import which
	@$(BIN)/ruff check src tests
	@$(BIN)/ruff format --check --quiet src tests
	@$(BIN)/mypy
	@$(BIN)/lint-imports

bench: $(STAMP) ## ratios and rates, all measured in this run
	@PYTHONDONTWRITEBYTECODE= $(BIN)/python tests/benchmarks/run.py  # compiled once, as an installed command is

golden: $(STAMP) ## write the golden plans again, and say what changed in meaning
	@$(BIN)/python tests/golden/rewrite.py

agreement: $(STAMP) ## the validator against the official one; SEED and FAULTS as you like
	@WAYKEEPER_REQUIRE_REAL_SERVER=1 WAYKEEPER_SEED=$(or $(SEED),1) WAYKEEPER_FAULTS=$(or $(FAULTS),12) $(BIN)/python -m pytest tests/contract/validator -rP

mutation: $(STAMP) ## which changes no test notices, in the rooms of dates and medicines; an hour
	@$(BIN)/python tests/mutation/run.py timing
	@$(BIN)/python tests/mutation/run.py medicines

lock: ## pin every dependency again
	@$(BIN)/pip-compile --quiet --strip-extras --extra dev --no-emit-index-url --no-emit-trusted-host \
		--no-emit-find-links --no-header --output-file requirements.lock pyproject.toml

clean:
	@rm -rf build dist $(VENV) .pytest_cache .mypy_cache .ruff_cache .hypothesis
