"""The built-in steps. They reach the engine through entry points, as any plugin does."""
