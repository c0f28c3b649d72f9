"""A test plan: what is asked of one device, step by step. (load_plan is in work)"""
