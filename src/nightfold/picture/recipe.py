"""Recipes in one place: made (`automatic_recipe`), kept (`recipe_text`, `load_recipe`) and followed (`apply_recipe`)."""

from nightfold.picture.automatic import automatic_recipe
from nightfold.picture.render import apply_recipe
from nightfold.picture.steps import Mix, Recipe, load_recipe, parse_recipe, recipe_text

__all__ = ["Mix", "Recipe", "apply_recipe", "automatic_recipe", "load_recipe", "parse_recipe", "recipe_text"]
