"""Plug-ins run in processes of their own, so nothing that they do reaches the process that serves."""
