"""The routes, one module per matter."""
