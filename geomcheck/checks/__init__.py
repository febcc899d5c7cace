"""The checks, one file each: the code, what it asks, its settings, and ``run``.

A check module has a docstring with the paragraphs ``What:``, ``Why:`` and ``Remedy:`` (they are
what ``geomcheck explain CODE`` and the HTML report print), and these names:

- ``CODE``: the check's name in the project file, ``[check.CODE]``;
- ``TITLE``: one line for tables;
- ``Settings``: the table in the project file, a frozen ``Table``;
- ``run(assembly, settings)``: yields findings for one vehicle.

Discovery is by folder: a new check is one new file here and one test file.
"""
