"""The proposer: from incident, state and needs to a policy; it sees a judge only as a function."""
