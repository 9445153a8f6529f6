package auth

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"strings"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// Verifier tells whose a token is. The keys it trusts never change. It is safe for concurrent use.
type Verifier struct {
	keys   map[string]ed25519.PublicKey // by thumbprint
	proven proven
}

// NewVerifier returns a verifier that trusts tokens signed by any of the keys. With none it trusts nothing.
func NewVerifier(pub ...ed25519.PublicKey) *Verifier {
	v := &Verifier{keys: make(map[string]ed25519.PublicKey, len(pub))}
	for _, k := range pub {
		v.keys[Thumbprint(k)] = k
	}
	return v
}

// Verify returns the caller a token stands for at an instant. The error is Unauthenticated, TOKEN_INVALID; it says what is wrong
// with the token and never repeats any of it.
func (v *Verifier) Verify(token string, now time.Time) (tenant.Caller, error) {
	c, err := v.verify(token, now)
	if err != nil {
		return tenant.Caller{}, errs.New(errs.Unauthenticated, "TOKEN_INVALID", "the token is refused: "+err.Error(), "problem", err.Error())
	}
	return c, nil
}

func (v *Verifier) verify(token string, now time.Time) (tenant.Caller, error) {
	if len(token) > MaxToken {
		return tenant.Caller{}, problem("it is longer than 8 KiB")
	}
	digest := sha256.Sum256([]byte(token))
	if c, ok := v.proven.get(digest, now); ok {
		return c, nil
	}
	if err := plain(token); err != nil {
		return tenant.Caller{}, err
	}
	claims := jwt.MapClaims{}
	_, err := jwt.NewParser(
		jwt.WithValidMethods([]string{jwt.SigningMethodEdDSA.Alg()}),
		jwt.WithAudience(audience), jwt.WithIssuer(issuer),
		jwt.WithExpirationRequired(), jwt.WithIssuedAt(), jwt.WithLeeway(Leeway),
		jwt.WithTimeFunc(func() time.Time { return now }),
		jwt.WithStrictDecoding(), jwt.WithJSONNumber(),
	).ParseWithClaims(token, claims, v.key)
	if err != nil {
		return tenant.Caller{}, explain(err)
	}
	subject, ok := claims["sub"].(string)
	role, ok2 := claims["role"].(string)
	if !ok || !ok2 {
		return tenant.Caller{}, problem("sub and role must be strings")
	}
	rawOrg, hasOrg := claims["org"]
	org, ok := rawOrg.(string)
	if hasOrg && !ok {
		return tenant.Caller{}, problem("org must be a string")
	}
	c, err := caller(subject, role, org, hasOrg)
	if err == nil {
		v.proven.put(digest, claims, c)
	}
	return c, err
}

// key returns the key a token's header names. A header parameter that this package does not know is refused, so that none
// can point at a key elsewhere (jku, jwk, x5u) or ask for a processing that is not done (crit).
func (v *Verifier) key(t *jwt.Token) (any, error) {
	for name := range t.Header {
		if name != "alg" && name != "typ" && name != "kid" {
			return nil, problem("its header has a parameter other than alg, typ and kid")
		}
	}
	if t.Header["typ"] != tokenType {
		return nil, problem("its typ is not JWT")
	}
	kid, _ := t.Header["kid"].(string)
	key, ok := v.keys[kid]
	if !ok {
		return nil, problem("it is signed by an unknown key")
	}
	return key, nil
}

// plain checks that header and payload are JSON objects in which no name occurs twice: readers that differ in which of two they
// believe would see different tokens (RFC 8725, section 2.6, and RFC 7519, section 4).
func plain(token string) error {
	for i := range len(token) { // Go's base64 skips line breaks
		c := token[i]
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' && c != '_' && c != '.' {
			return problem("it is malformed")
		}
	}
	parts := strings.Split(token, ".")
	if len(parts) != 3 {
		return problem("it is malformed")
	}
	for _, part := range parts[:2] {
		text, err := base64.RawURLEncoding.Strict().DecodeString(part)
		if err != nil {
			return problem("it is malformed")
		}
		if err := uniqueNames(text); err != nil {
			return err
		}
	}
	return nil
}

func explain(err error) error {
	var p problem
	for _, c := range []struct {
		is   error
		says problem
	}{
		{jwt.ErrTokenExpired, "it has expired"},
		{jwt.ErrTokenNotValidYet, "it is not valid yet"},
		{jwt.ErrTokenUsedBeforeIssued, "it was issued in the future"},
		{jwt.ErrTokenInvalidAudience, "its audience is not strandline"},
		{jwt.ErrTokenInvalidIssuer, "its issuer is not strandline"},
		{jwt.ErrTokenRequiredClaimMissing, "a required claim (exp, iss or aud) is missing"},
	} {
		if errors.Is(err, c.is) {
			return c.says
		}
	}
	switch {
	case errors.As(err, &p):
		return p
	case errors.Is(err, jwt.ErrTokenSignatureInvalid):
		return problem("its signature or algorithm is not the expected one")
	}
	return problem("it is malformed")
}
