"""The recorder: validate, commit, acknowledge, give receipts.

intake      pure: what a payload is: events, or a refusal with its reason
receipts    pure: what a source is told of its numbers
rates       pure: whether a source runs wild
recorder    the shell around them
"""
