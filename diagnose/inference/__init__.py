"""Forward chaining over flat facts: the engine adapter, the plain matcher, and proof trees.

Two machines draw the same conclusions from the same rules: `engine.Engine` (durable-rules, once per
assessment) and `matcher.PlainMatcher` (plain Python, for sweeps over thousands of cases). Both return the
same `trace.Trace`.

Nothing heavy is imported here; the engine's C library is loaded when the first `Engine` is made.
"""
