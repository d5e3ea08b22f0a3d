//! A simulated unit, house and probes, seeded; for `demo` and the tests, unknown to the engine.
