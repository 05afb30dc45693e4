"""Is it well? Findings about a configured plant, each with what to do.

finding     what a finding is
files       configuration, folders, disks
bus         the broker and what the roles say of themselves there
credentials certificates, passwords, access list
forecast    pure: when there will be no more room
growth      how fast record, outbox and archive grow
stock       outbox, record, index
"""
