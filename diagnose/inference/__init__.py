"""Forward chaining over flat facts: the engine adapter, the plain matcher, and proof trees.

Two machines draw the same conclusions from the same rules: `engine.Engine` (durable-rules, once per
assessment) and `matcher.PlainMatcher` (plain Python, for sweeps over thousands of cases, and where the engine
is not built). Both return the same `trace.Trace`. `choice` decides which of them a run of the program uses.

Nothing heavy is imported here; the engine's C library is loaded when `choice` is first asked.
"""
