"""What theory allows for a scene: link budget, Fisher information, ambiguity."""
