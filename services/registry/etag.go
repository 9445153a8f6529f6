package registry

import (
	"crypto/sha256"
	"encoding/base64"
	"strconv"
)

// Etag returns the opaque tag of one version of a resource. It says nothing to a client but "the same" or "another".
func Etag(resource string, version int64) string {
	sum := sha256.Sum256([]byte("registry etag\x00" + resource + "\x00" + strconv.FormatInt(version, 10)))
	return base64.RawURLEncoding.EncodeToString(sum[:12])
}
