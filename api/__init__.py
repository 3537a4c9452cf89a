"""The service: command line now, store and routes on the same use cases later."""
