"""Looks at everything that a bridge needs, and says what is wrong and what to do.

``see_*`` is shell and only looks; ``judge_*`` is core and turns what was seen into findings.
"""
