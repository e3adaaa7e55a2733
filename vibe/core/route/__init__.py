"""Recipes and routes: what is visited, with which settings, and what came of a round."""
