"""Checks everything that a bridge needs, and reports what is wrong and what to do.

``see_*`` is shell and collects facts; ``judge_*`` is core and turns the facts into findings.
"""
