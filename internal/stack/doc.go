// Package stack builds the services and connects them: one at a time, each behind its own gRPC server, or all three in this
// process behind one public server.
//
// It decides nothing. Between the services there is the same either way: generated clients, a service's token with every call, the
// permission that each RPC declares. In one process the connections stay inside it.
package stack
