"""Every sentence of the program, and no code: ``keys.py``, a folder a language, and ``languages.py`` which joins them.

To add a sentence: its key into ``keys.py`` (or a code where the result is defined), its template into the same place of
every language. A template names the figures it needs; ``tests/test_text.py`` holds all languages to the same keys and
figures.
"""
