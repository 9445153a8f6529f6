// Package auth decides who calls and what they may do.
//
// A token is a JSON Web Token (RFC 7519) signed with Ed25519 (alg EdDSA, RFC 8037). It carries the subject, one role and the
// org. Nothing else is ever trusted for either: not a header, not a request field. Roles map to permissions in one table
// (roles.go); each RPC declares the permission it needs as a method option of its proto, and an RPC that declares none is
// refused. Minting needs the private key and happens only where the key file is; no RPC mints.
//
// The checks follow RFC 8725 (JSON Web Token Best Current Practices).
package auth
