"""Candidates, the best set without overlap, ranking, fish passage and potential."""
