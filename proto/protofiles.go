// Package protofiles holds what is published beside the protos: the gRPC service config for clients of any language.
package protofiles

import _ "embed"

// ServiceConfig is service_config.json: which RPCs a client may repeat while the server is unavailable. Only reads are in it
// (AIP-194).
//
//go:embed service_config.json
var ServiceConfig string
