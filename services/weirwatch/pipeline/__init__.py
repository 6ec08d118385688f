"""The loop and what it joins: decisions, outbox, queries, health."""
