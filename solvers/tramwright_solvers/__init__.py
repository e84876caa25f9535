"""Tramming by numbers: dial readings over a bed in, the moves that bring bed and tool plane parallel out."""
