"""Figures of the results, made with matplotlib objects and never with pyplot."""
