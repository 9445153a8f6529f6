// Package private runs a PostgreSQL server of our own in a data folder: made on first use, reached through a unix socket
// that only we and the server can get at, stopped with the process. For a laptop, a demo or one shop's machine; an
// installation points Strandline at a PostgreSQL of its own instead.
//
// It uses the server binaries that are installed ([Find]). As root it runs the server as the user postgres, or nobody.
// The folder holds
//
//	postgres.lock    who has the folder open (flock; the file stays)
//	postgres/data    the server's data
//	postgres/run     its socket, if the path is short enough for one
//	postgres/socket  else where the socket's folder is
//	postgres/log     what the server had to say
//
// fsync stays on, so what was committed survives kill -9 of everything.
package private
