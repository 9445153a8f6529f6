// Package systemtest tests all services together, over a real PostgreSQL and through their public APIs: safety, order of arrival,
// access, crashes, published rules. It holds no product code.
package systemtest
