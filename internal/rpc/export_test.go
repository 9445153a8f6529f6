package rpc

// Local is local, for tests.
var Local = local
