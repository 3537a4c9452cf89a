"""The words and the reference data that the engine and the service both use."""
