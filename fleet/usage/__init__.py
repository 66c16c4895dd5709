"""How much each vehicle runs: one small filter state per meter."""
