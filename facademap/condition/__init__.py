"""Glossary of conditions, measuring and checking records, assisted outlines."""
