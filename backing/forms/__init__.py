"""Twelve-bar and its relatives, as data: one TOML file each beside this module."""

from __future__ import annotations

from backing.forms.form import Form, find_form, form_names, load_form

__all__ = ["Form", "find_form", "form_names", "load_form"]
