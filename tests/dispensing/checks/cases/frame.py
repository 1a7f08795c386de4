CASES = {}
