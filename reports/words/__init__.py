"""The words for every `Remark` of the estimator, by its code."""
