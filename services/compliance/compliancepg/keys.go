package compliancepg

// keys is the unit ids of a parameter as a table k (unit_id), to be joined: with "= any" the planner would look at each of hundreds of ids
// for every statement.
func keys(param string) string { return "unnest(" + param + "::uuid[]) as k (unit_id)" }
