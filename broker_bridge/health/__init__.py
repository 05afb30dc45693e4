"""Is it well? Findings about a configured plant, each with what to do.

finding     what a finding is
files       configuration, folders, disks
bus         the broker and what the roles say of themselves there
stock       outbox, record, index
"""
