"""Every table of a project and the contract its rows keep."""
