PY := .venv/bin/python

.NOTPARALLEL:
.PHONY: help demo test bench fresh fuzz clean

help: ## list these targets
	@awk -F ':[^#]*## ' '/^[a-z]+:.*## / { printf "make %-6s %s\n", $$1, $$2 }' Makefile

demo: .venv/.ready ## write a backing track, a demo and a practice loop into out/
	$(PY) examples/make_demo.py

test: .venv/.ready-dev ## lint, check formatting and types, run the tests
	$(PY) -m ruff check
	$(PY) -m ruff format --check
	$(PY) -m mypy
	$(PY) -m pytest -n 2

bench: .venv/.ready-dev ## run the benchmarks
	$(PY) -m benchmarks

fresh: ## run demo and test of HEAD in a bare Debian (needs root)
	@bash .ci/fresh

fuzz: .venv/.ready-dev ## read 100,000 mangled phrase files (two minutes)
	FUZZ=100000 $(PY) -m pytest -q tests/phrases/test_files.py -k mangled_in_many

clean: ## remove everything that was made here: out/, .venv/, caches, builds
	rm -rf .venv out build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find . -name .git -prune -o -type d -name __pycache__ -prune -exec rm -rf {} +

# Two environments in one: the demo does without the test tools, which are
# several times the size of the rest.
.venv/.ready: pyproject.toml .ci/setup
	@sh .ci/setup

.venv/.ready-dev: pyproject.toml .ci/setup
	@sh .ci/setup dev

# The stamp holds the path it was made for: a checkout that was moved or copied
# brings an environment that points elsewhere.
ifneq "$(shell test -x $(PY) && cat .venv/.ready 2>/dev/null)" "$(CURDIR)"
.PHONY: .venv/.ready .venv/.ready-dev
endif
