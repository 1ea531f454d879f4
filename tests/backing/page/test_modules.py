"""Modules joined to one script."""

from __future__ import annotations

from pathlib import Path

import pytest

from backing.page import modules


def made(folder: Path, **texts: str) -> Path:
    for name, text in texts.items():
        (folder / f"{name}.js").write_text(text, encoding="utf-8")
    return folder / "main.js"


def test_what_is_needed_comes_first_once_and_keeps_its_names(tmp_path: Path) -> None:
    main = made(
        tmp_path,
        main='import { b } from "./b.js";\nimport {\n  a,\n} from "./a.js";\n'
        "const own = 1;\nb(a, own);\n",
        b='/** @import { T } from "./t.d.ts" */\nimport { a } from "./a.js";\n'
        "const own = 2;\nexport const b = () => a + own;\n",
        a="export const a = 1;\n",
    )
    assert (
        modules.joined(main)
        == """(() => {
"use strict";
const in_a = (() => {
const a = 1;
return { a };
})();
const in_b = (() => {
const { a } = in_a;
const own = 2;
const b = () => a + own;
return { b };
})();
const in_main = (() => {
const { b } = in_b;
const {
  a,
} = in_a;
const own = 1;
b(a, own);
return {  };
})();
})();
"""
    )


def test_circles_are_refused(tmp_path: Path) -> None:
    main = made(
        tmp_path, main='import { y } from "./other.js";\n',
        other='import { x } from "./main.js";\n',
    )  # fmt: skip
    with pytest.raises(ValueError, match=r"circle: main\.js needs other\.js needs main\.js"):
        modules.joined(main)
