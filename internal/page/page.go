// Package page makes and reads page tokens: opaque, signed, and bound to the request they belong to.
package page

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"

	"strandline.example/strandline/internal/errs"
)

// Default and Max are the page sizes of every list (AIP-158).
const (
	Default = 50
	Max     = 1000
)

// Size returns the page size to use for a requested one. A negative size is the validator's to refuse.
func Size(requested int32) int {
	switch {
	case requested <= 0:
		return Default
	case requested > Max:
		return Max
	}
	return int(requested)
}

// Signer signs page tokens with a key of the installation. It is safe for concurrent use.
type Signer struct{ key []byte }

// NewSigner returns a signer. The key must be the same in every replica.
func NewSigner(key []byte) *Signer {
	sum := sha256.Sum256(append([]byte("strandline page tokens\x00"), key...))
	return &Signer{key: sum[:]}
}

// Encode returns a token that carries cursor (any JSON value) and works only with the same binding: list, org, filter
// and order, joined by the caller.
func (s *Signer) Encode(binding string, cursor any) (string, error) {
	body, err := json.Marshal(cursor)
	if err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(append(s.mac(binding, body), body...)), nil
}

// Decode reads a token into cursor. The token must be one that Encode returned for the same binding.
func (s *Signer) Decode(binding, token string, cursor any) error {
	bad := errs.New(errs.Invalid, "PAGE_TOKEN_INVALID", "page_token is not one that this request's previous page returned; start again without it")
	bad.Violations = []errs.Violation{{Field: "page_token", Value: token, Description: bad.Message, Reason: bad.Reason}}
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(raw) < 16 {
		return bad
	}
	mac, body := raw[:16], raw[16:]
	if !hmac.Equal(mac, s.mac(binding, body)) || json.Unmarshal(body, cursor) != nil {
		return bad
	}
	return nil
}

func (s *Signer) mac(binding string, body []byte) []byte {
	h := hmac.New(sha256.New, s.key)
	h.Write([]byte(binding))
	h.Write([]byte{0})
	h.Write(body)
	return h.Sum(nil)[:16]
}
