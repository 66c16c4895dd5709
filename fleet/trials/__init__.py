"""Whether a dearer fluid is worth its price: two products, compared at equal fluid age."""
