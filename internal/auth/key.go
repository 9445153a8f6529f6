package auth

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"strandline.example/strandline/internal/errs"
)

// Key is a signing key of an installation. It is immutable and safe for concurrent use.
type Key struct {
	private ed25519.PrivateKey
	id      string
}

// NewKey makes a random key.
func NewKey() (*Key, error) {
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, errs.New(errs.Internal, "INTERNAL", "no key can be made").Because(err)
	}
	return newKey(private), nil
}

func newKey(private ed25519.PrivateKey) *Key {
	return &Key{private: private, id: Thumbprint(private.Public().(ed25519.PublicKey))}
}

// Public returns the key that verifies what this one signs.
func (k *Key) Public() ed25519.PublicKey { return k.private.Public().(ed25519.PublicKey) }

// ID returns the key's thumbprint, which stands in the tokens' kid.
func (k *Key) ID() string { return k.id }

// Secret returns 32 bytes derived from the key for one named purpose (for example "page tokens"), so that an installation has
// one secret to keep. Different purposes give unrelated bytes.
func (k *Key) Secret(purpose string) []byte {
	sum := sha256.Sum256(append([]byte("strandline key for "+purpose+"\x00"), k.private.Seed()...))
	return sum[:]
}

// Thumbprint returns the JWK thumbprint of a public key (RFC 7638 with the members of RFC 8037, section 2).
func Thumbprint(public ed25519.PublicKey) string {
	x := base64.RawURLEncoding.EncodeToString(public)
	sum := sha256.Sum256([]byte(`{"crv":"Ed25519","kty":"OKP","x":"` + x + `"}`))
	return base64.RawURLEncoding.EncodeToString(sum[:])
}

// LoadOrCreateKey reads the key in the PEM file (PKCS #8) at path, or makes one there with mode 0600 if the file does not exist.
// Of several processes that start at once, one makes the key and all read the same. A file that others can read is refused.
func LoadOrCreateKey(path string) (*Key, error) {
	key, err := LoadKey(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return key, err
	}
	if key, err = NewKey(); err != nil {
		return nil, err
	}
	der, err := x509.MarshalPKCS8PrivateKey(key.private)
	if err != nil {
		return nil, keyFault(path, "cannot be encoded", err)
	}
	block := pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, keyFault(path, "cannot be made", err)
	}
	temp, err := os.CreateTemp(filepath.Dir(path), ".key-*") // mode 0600
	if err != nil {
		return nil, keyFault(path, "cannot be made", err)
	}
	_, werr := temp.Write(block)
	err = errors.Join(werr, temp.Sync(), temp.Close())
	if err == nil {
		err = os.Link(temp.Name(), path) // fails if another process was first, and never shows a half-written key
		if errors.Is(err, fs.ErrExist) {
			err = nil
		}
	}
	if err = errors.Join(err, os.Remove(temp.Name())); err != nil {
		return nil, keyFault(path, "cannot be made", err)
	}
	return LoadKey(path)
}

// LoadKey reads the key in the PEM file (PKCS #8) at path. The error wraps fs.ErrNotExist if there is no file.
func LoadKey(path string) (*Key, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, keyFault(path, "cannot be read", err)
	}
	if !info.Mode().IsRegular() {
		return nil, keyFault(path, "is not a regular file", nil)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return nil, keyFault(path, "can be read by others; run: chmod 600 "+path, nil).With("mode", info.Mode().Perm().String())
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, keyFault(path, "cannot be read", err)
	}
	block, rest := pem.Decode(text)
	if block == nil || block.Type != "PRIVATE KEY" || len(rest) != 0 {
		return nil, keyFault(path, "does not hold one PEM block of type PRIVATE KEY", nil)
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, keyFault(path, "does not hold a PKCS #8 key", err)
	}
	private, ok := parsed.(ed25519.PrivateKey)
	if !ok {
		return nil, keyFault(path, "does not hold an Ed25519 key", nil)
	}
	return newKey(private), nil
}

func keyFault(path, problem string, cause error) *errs.E {
	return errs.New(errs.Precondition, "", "the key file "+path+" "+problem, "path", path).Because(cause)
}
