// Package rpc speaks gRPC for every service: how a server is built, what happens around a handler, how errors leave, how clients
// connect.
//
// Around a handler, in this order, for unary calls and streams alike: recover from panics; telemetry; turn the error into a
// status with google.rpc details; default deadline; authenticate; authorise (the permission the RPC declares); then, once the
// message is read: every resource name in it is of the caller's org; the message keeps the shape rules its proto states. A call
// is authorised before anything in it is validated, so that a stranger learns nothing from a message. An RPC that declares no
// permission is refused. Health and reflection need no token.
//
// Handlers return *errs.E values; Status is the one place that maps them. Every status but OK carries exactly one ErrorInfo of
// domain "strandline".
package rpc
