PY := .venv/bin/python

.NOTPARALLEL:
.PHONY: help demo desk test quick live bench mutants versions constraints fresh hard clean

help: ## list these targets
	@awk -F ':[^#]*## ' '/^[a-z]+:.*## / { printf "make %-11s %s\n", $$1, $$2 }' Makefile

demo: .venv/.ready ## write a backing track, a demo and a practice loop into out/
	$(PY) examples/make_demo.py

desk: .venv/.ready ## open the example lesson at the desk, in the browser
	.venv/bin/backing desk examples/lesson

test: .venv/.ready-dev ## lint, check formatting and types, run the tests
	$(PY) -m ruff check
	$(PY) -m ruff format --check
	@sh .ci/page/check & page=$$!; echo "$(PY) -m mypy"; $(PY) -m mypy; types=$$?; \
		wait $$page && exit $$types
	$(PY) -m pytest -n 2 --dist worksteal -m "not live"
	$(LIVE)

quick: .venv/.ready-dev ## lint and the tests of theory, phrases and notes: the same each time, in a minute
	$(PY) -m ruff check
	CI=quick $(PY) -m pytest -q -n 2 -m "not live" $(QUICK)

# What is heard, written to files, swept or looked at stays out.
QUICK := tests/phrases tests/soundfonts tests/backing/practice tests/backing/exchange \
	$(filter-out %test_band.py %test_choruses.py %test_output.py %test_midi.py %test_mp3.py,$(wildcard tests/backing/test_*.py)) \
	--deselect tests/phrases/test_sound.py --deselect tests/phrases/test_bends.py

live: .venv/.ready-dev ## the tests that play and hear in real time, by themselves
	$(LIVE)

# A sound server, a browser and the browsers that hear beside each other: they mostly wait.
LIVE := $(PY) -m pytest -n 3 --dist loadgroup -m live tests/backing/live tests/backing/page \
	tests/backing/recording tests/hard/test_soak.py

bench: .venv/.ready-dev ## run the benchmarks
	$(PY) -m benchmarks

mutants: .venv/.ready-dev ## put small faults into the product, and see that the tests notice (an hour)
	$(PY) -m tests.mutants

versions: .venv/.ready-dev ## build the wheel and try it with the lowest and the newest versions, on each Python here
	@sh .ci/versions

constraints: .venv/.ready-dev ## write constraints.txt anew
	@$(PY) -m uv pip compile --quiet --universal --upgrade --extra dev --extra film --extra midi --extra desk --no-annotate \
		--custom-compile-command "make constraints" pyproject.toml -o constraints.txt

fresh: ## run demo and test of HEAD in a bare Debian (needs root)
	@bash .ci/fresh

hard: .venv/.ready-dev ## every sweep and reliability run in full (hours; HARD_SHARE=0.1 for a tenth)
	HARD=1 $(PY) -m pytest -q -n 2 --dist worksteal --durations=20 -m "not live"
	HARD=1 $(LIVE)

clean: ## remove everything that was made here: out/, .venv/, caches, builds
	rm -rf .venv out build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find . -name .git -prune -o -type d -name __pycache__ -prune -exec rm -rf {} +

# Two environments in one: the demo does without the test tools, which are
# several times the size of the rest.
.venv/.ready: pyproject.toml constraints.txt .ci/setup
	@sh .ci/setup

.venv/.ready-dev: pyproject.toml constraints.txt .ci/setup
	@sh .ci/setup dev

# The stamp holds the path it was made for: a checkout that was moved or copied
# brings an environment that points elsewhere.
ifneq "$(shell test -x $(PY) && cat .venv/.ready 2>/dev/null)" "$(CURDIR)"
.PHONY: .venv/.ready .venv/.ready-dev
endif
