package auth_test

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"maps"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/errs"
)

var now = time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)

func newKey(t testing.TB) *auth.Key {
	t.Helper()
	key, err := auth.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func TestMintedTokenIsAccepted(t *testing.T) {
	key := newKey(t)
	v := auth.NewVerifier(newKey(t).Public(), key.Public())
	for _, role := range auth.Roles() {
		org := ""
		if auth.OfOrg(role) {
			org = "reef-divers"
		}
		token, err := key.Mint(auth.Claims{Subject: "ana", Role: role, Org: org, Issued: now, Expires: now.Add(time.Hour)})
		if err != nil {
			t.Fatalf("%s: %v", role, err)
		}
		c, err := v.Verify(token, now.Add(30*time.Minute))
		if err != nil {
			t.Fatalf("%s: %v", role, err)
		}
		if c.Subject != "ana" || c.Role != role || c.Org.ID != org || c.AllOrgs != (role == auth.RoleService) {
			t.Errorf("%s: caller %+v", role, c)
		}
	}
}

// Leeway: RFC 7519, sections 4.1.4 and 4.1.5, allow "some small leeway, usually no more than a few minutes".
func TestTokenLifetimeAndLeeway(t *testing.T) {
	key := newKey(t)
	v := auth.NewVerifier(key.Public())
	token, err := key.Mint(auth.Claims{Subject: "ana", Role: auth.RoleAuditor, Org: "reef", Issued: now, Expires: now.Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		at   time.Time
		want bool
	}{
		{now.Add(-31 * time.Second), false},
		{now.Add(-30 * time.Second), true},
		{now, true},
		{now.Add(time.Hour), true},
		{now.Add(time.Hour + 29*time.Second), true},
		{now.Add(time.Hour + 30*time.Second), false}, // "on or after which the JWT MUST NOT be accepted"
		{now.Add(time.Hour + 31*time.Second), false},
	} {
		if _, err := v.Verify(token, c.at); (err == nil) != c.want {
			t.Errorf("at %s: %v, want accepted %v", c.at, err, c.want)
		}
	}
}

// TestProvenTokensAreNoMoreThanThat asks again and again about a token that was accepted: as it is, changed, after its time, and of a verifier that does
// not trust its key.
func TestProvenTokensAreNoMoreThanThat(t *testing.T) {
	key := newKey(t)
	v := auth.NewVerifier(key.Public())
	token, err := key.Mint(auth.Claims{Subject: "ana", Role: auth.RoleAuditor, Org: "reef", Issued: now, Expires: now.Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	first, err := v.Verify(token, now.Add(time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if again, err := v.Verify(token, now.Add(2*time.Minute)); err != nil || again != first {
			t.Errorf("again it is of %+v, not %+v: %v", again, first, err)
		}
	}
	for i := range len(token) {
		b := []byte(token)
		if b[i] ^= 1; b[i] == '.' || token[i] == '.' {
			continue
		}
		if _, err := v.Verify(string(b), now.Add(time.Minute)); err == nil {
			t.Fatalf("accepted with character %d changed", i)
		}
	}
	if _, err := v.Verify(token, now.Add(2*time.Hour)); err == nil {
		t.Error("accepted after it has expired")
	}
	if _, err := v.Verify(token, now.Add(-time.Hour)); err == nil {
		t.Error("accepted before it was issued")
	}
	if _, err := auth.NewVerifier(newKey(t).Public()).Verify(token, now.Add(time.Minute)); err == nil {
		t.Error("accepted by a verifier that does not trust its key")
	}
	for i := range 5000 { // more than are remembered
		other, err := key.Mint(auth.Claims{Subject: "ben", Role: auth.RoleAuditor, Org: "reef", Issued: now, Expires: now.Add(time.Hour + time.Duration(i)*time.Second)})
		if err != nil {
			t.Fatal(err)
		}
		if c, err := v.Verify(other, now.Add(time.Minute)); err != nil || c.Subject != "ben" {
			t.Fatalf("%+v, %v", c, err)
		}
	}
	if c, err := v.Verify(token, now.Add(time.Minute)); err != nil || c != first {
		t.Errorf("afterwards it is of %+v, %v", c, err)
	}
}

// sign makes a token without any of Mint's care. A nil value removes a claim or header parameter.
func sign(header, payload string, with func([]byte) []byte) string {
	input := enc([]byte(header)) + "." + enc([]byte(payload))
	return input + "." + enc(with([]byte(input)))
}

// standard signs with the alphabet of RFC 4648, section 4, instead of section 5.
func standard(header, payload string, with func([]byte) []byte) string {
	input := base64.RawStdEncoding.EncodeToString([]byte(header)) + "." + base64.RawStdEncoding.EncodeToString([]byte(payload))
	if !strings.ContainsAny(input, "+/") {
		panic("the two alphabets give the same text")
	}
	return input + "." + enc(with([]byte(input)))
}

func enc(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

func object(t *testing.T, m map[string]any) string {
	t.Helper()
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestBadTokens refuses what RFC 8725 (JSON Web Token Best Current Practices) warns of; the section is named in each case.
func TestBadTokens(t *testing.T) {
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	_, foreign, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	p256, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	rsaKey, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKIXPublicKey(public)
	if err != nil {
		t.Fatal(err)
	}
	publicPEM := pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})

	kid := auth.Thumbprint(public)
	v := auth.NewVerifier(public)
	ed := func(in []byte) []byte { return ed25519.Sign(private, in) }
	hs := func(secret []byte) func([]byte) []byte {
		return func(in []byte) []byte { m := hmac.New(sha256.New, secret); m.Write(in); return m.Sum(nil) }
	}
	jwtSign := func(method jwt.SigningMethod, key any) func([]byte) []byte {
		return func(in []byte) []byte {
			sig, err := method.Sign(string(in), key)
			if err != nil {
				t.Fatal(err)
			}
			return sig
		}
	}
	header := func(changes map[string]any) string {
		h := map[string]any{"alg": "EdDSA", "typ": "JWT", "kid": kid}
		maps.Copy(h, changes)
		maps.DeleteFunc(h, func(_ string, v any) bool { return v == nil })
		return object(t, h)
	}
	claims := func(changes map[string]any) string {
		c := map[string]any{"iss": "strandline", "aud": "strandline", "sub": "ana", "role": "auditor", "org": "reef",
			"iat": now.Unix(), "nbf": now.Unix(), "exp": now.Add(time.Hour).Unix()}
		maps.Copy(c, changes)
		maps.DeleteFunc(c, func(_ string, v any) bool { return v == nil })
		return object(t, c)
	}
	type m = map[string]any
	good := sign(header(nil), claims(nil), ed)
	if _, err := v.Verify(good, now); err != nil {
		t.Fatalf("the token that the bad ones are made from is refused: %v", err)
	}
	parts := strings.Split(good, ".")
	signature, err := base64.RawURLEncoding.DecodeString(parts[2])
	if err != nil {
		t.Fatal(err)
	}

	cases := map[string]string{
		// 2.1 and 3.1: weak signatures and insufficient algorithm verification.
		"alg none, no signature":         enc([]byte(header(m{"alg": "none"}))) + "." + parts[1] + ".",
		"alg None, no signature":         enc([]byte(header(m{"alg": "None"}))) + "." + parts[1] + ".",
		"alg nOnE, old signature":        enc([]byte(header(m{"alg": "nOnE"}))) + "." + parts[1] + "." + parts[2],
		"alg missing":                    sign(header(m{"alg": nil}), claims(nil), ed),
		"alg empty":                      sign(header(m{"alg": ""}), claims(nil), ed),
		"alg number":                     sign(header(m{"alg": 1}), claims(nil), ed),
		"alg in lower case":              sign(header(m{"alg": "eddsa"}), claims(nil), ed),
		"HS256 with the raw public key":  sign(header(m{"alg": "HS256"}), claims(nil), hs(public)),
		"HS256 with the PEM public key":  sign(header(m{"alg": "HS256"}), claims(nil), hs(publicPEM)),
		"HS256 with the DER public key":  sign(header(m{"alg": "HS256"}), claims(nil), hs(der)),
		"HS256 with the kid":             sign(header(m{"alg": "HS256"}), claims(nil), hs([]byte(kid))),
		"HS512 with an empty key":        sign(header(m{"alg": "HS512"}), claims(nil), jwtSign(jwt.SigningMethodHS512, []byte{})),
		"RS256":                          sign(header(m{"alg": "RS256"}), claims(nil), jwtSign(jwt.SigningMethodRS256, rsaKey)),
		"ES256":                          sign(header(m{"alg": "ES256"}), claims(nil), jwtSign(jwt.SigningMethodES256, p256)),
		"wrong curve under alg EdDSA":    sign(header(nil), claims(nil), jwtSign(jwt.SigningMethodES256, p256)),
		"Ed448-sized signature":          sign(header(nil), claims(nil), func([]byte) []byte { return make([]byte, 114) }),
		"EdDSA signature under alg ES25": sign(header(m{"alg": "ES256"}), claims(nil), ed),
		"signed by a foreign key":        sign(header(nil), claims(nil), func(in []byte) []byte { return ed25519.Sign(foreign, in) }),
		"no signature":                   parts[0] + "." + parts[1] + ".",
		"signature of zeros":             sign(header(nil), claims(nil), func([]byte) []byte { return make([]byte, 64) }),
		"signature cut short":            parts[0] + "." + parts[1] + "." + enc(signature[:63]),
		"signature one byte longer":      parts[0] + "." + parts[1] + "." + enc(append(append([]byte{}, signature...), 0)),
		"signature bit flipped":          parts[0] + "." + parts[1] + "." + enc(append([]byte{signature[0] ^ 1}, signature[1:]...)),
		"payload tampered":               parts[0] + "." + enc([]byte(claims(m{"role": "chain-manager"}))) + "." + parts[2],
		"header tampered":                enc([]byte(`{"alg":"EdDSA","kid":"`+kid+`","typ":"JWT"} `)) + "." + parts[1] + "." + parts[2],
		"base64 with stray bits":         parts[0] + "." + parts[1] + "." + parts[2][:85] + string(nextInAlphabet(parts[2][85])),

		// 2.6 and 3.7: multiplicity of encodings; duplicated names.
		"claim twice":          sign(header(nil), strings.Replace(claims(nil), `{`, `{"role":"chain-manager",`, 1), ed),
		"claim twice, escaped": sign(header(nil), strings.Replace(claims(nil), `{`, `{"rol\u0065":"chain-manager",`, 1), ed),
		"alg twice":            sign(strings.Replace(header(nil), `{`, `{"alg":"none",`, 1), claims(nil), ed),
		"payload not JSON":     sign(header(nil), "role=auditor", ed),
		"payload an array":     sign(header(nil), "["+claims(nil)+"]", ed),
		"payload and more":     sign(header(nil), claims(nil)+"{}", ed),
		"padded base64":        parts[0] + "=." + parts[1] + "." + parts[2],
		"standard base64":      standard(header(nil), claims(m{"pad": "\u00ff\u00fe?>~", "more": "????>>>>~~~~"}), ed),
		"line breaks":          parts[0] + ".\r\n" + parts[1] + "." + parts[2],

		// 3.8, 3.9, 3.12: issuer, subject, audience; different kinds of tokens.
		"audience missing":   sign(header(nil), claims(m{"aud": nil}), ed),
		"audience other":     sign(header(nil), claims(m{"aud": "strandline-test"}), ed),
		"audience in a case": sign(header(nil), claims(m{"aud": "Strandline"}), ed),
		"audience list":      sign(header(nil), claims(m{"aud": []string{"a", "b"}}), ed),
		"issuer missing":     sign(header(nil), claims(m{"iss": nil}), ed),
		"issuer other":       sign(header(nil), claims(m{"iss": "strandline.example"}), ed),
		"issuer number":      sign(header(nil), claims(m{"iss": 1}), ed),
		"subject missing":    sign(header(nil), claims(m{"sub": nil}), ed),
		"subject empty":      sign(header(nil), claims(m{"sub": ""}), ed),
		"subject number":     sign(header(nil), claims(m{"sub": 7}), ed),
		"subject too long":   sign(header(nil), claims(m{"sub": strings.Repeat("a", 201)}), ed),
		"subject two lines":  sign(header(nil), claims(m{"sub": "ana\nrole=operator"}), ed),
		"typ other":          sign(header(m{"typ": "at+jwt"}), claims(nil), ed), // 3.11
		"typ missing":        sign(header(m{"typ": nil}), claims(nil), ed),

		// Lifetime: RFC 7519, sections 4.1.4 to 4.1.6.
		"expiry missing":     sign(header(nil), claims(m{"exp": nil}), ed),
		"expiry null":        sign(header(nil), strings.Replace(claims(m{"exp": nil}), `{`, `{"exp":null,`, 1), ed),
		"expiry text":        sign(header(nil), claims(m{"exp": "never"}), ed),
		"expired":            sign(header(nil), claims(m{"exp": now.Add(-time.Minute).Unix()}), ed),
		"not before, future": sign(header(nil), claims(m{"nbf": now.Add(time.Minute).Unix()}), ed),
		"issued in future":   sign(header(nil), claims(m{"iat": now.Add(time.Minute).Unix(), "nbf": nil}), ed),

		// 3.10: received claims and header parameters are not to be trusted: kid, jku, jwk, x5u, crit.
		"kid missing":        sign(header(m{"kid": nil}), claims(nil), ed),
		"kid foreign":        sign(header(m{"kid": auth.Thumbprint(foreign.Public().(ed25519.PublicKey))}), claims(nil), func(in []byte) []byte { return ed25519.Sign(foreign, in) }),
		"kid a path":         sign(header(m{"kid": "../../../dev/null"}), claims(nil), ed),
		"kid SQL":            sign(header(m{"kid": "x' UNION SELECT 'key"}), claims(nil), ed),
		"kid number":         sign(header(m{"kid": 0}), claims(nil), ed),
		"jwk in the header":  sign(header(m{"kid": nil, "jwk": m{"kty": "OKP", "crv": "Ed25519", "x": enc(foreign.Public().(ed25519.PublicKey))}}), claims(nil), func(in []byte) []byte { return ed25519.Sign(foreign, in) }),
		"jku in the header":  sign(header(m{"jku": "https://keys.example/jwks.json"}), claims(nil), ed),
		"x5u in the header":  sign(header(m{"x5u": "https://keys.example/cert.pem"}), claims(nil), ed),
		"crit in the header": sign(header(m{"crit": []string{"exp"}}), claims(nil), ed), // RFC 7515, section 4.1.11
		"b64 false":          sign(header(m{"b64": false, "crit": []string{"b64"}}), claims(nil), ed),
		"zip in the header":  sign(header(m{"zip": "DEF"}), claims(nil), ed), // 3.6: no compression

		// Ours: role and org.
		"role missing":           sign(header(nil), claims(m{"role": nil}), ed),
		"role unknown":           sign(header(nil), claims(m{"role": "admin"}), ed),
		"role in capitals":       sign(header(nil), claims(m{"role": "Auditor"}), ed),
		"role list":              sign(header(nil), claims(m{"role": []string{"auditor"}}), ed),
		"Role with a capital R":  sign(header(nil), claims(m{"role": nil, "Role": "auditor"}), ed),
		"org missing":            sign(header(nil), claims(m{"org": nil}), ed),
		"org empty":              sign(header(nil), claims(m{"org": ""}), ed),
		"org null":               sign(header(nil), strings.Replace(claims(m{"org": nil}), `{`, `{"org":null,`, 1), ed),
		"org malformed":          sign(header(nil), claims(m{"org": "Reef Divers"}), ed),
		"org with a slash":       sign(header(nil), claims(m{"org": "reef/units"}), ed),
		"org a wildcard":         sign(header(nil), claims(m{"org": "-"}), ed),
		"org too long":           sign(header(nil), claims(m{"org": strings.Repeat("a", 41)}), ed),
		"org number":             sign(header(nil), claims(m{"org": 12}), ed),
		"service with an org":    sign(header(nil), claims(m{"role": "service"}), ed),
		"operator with an org":   sign(header(nil), claims(m{"role": "operator"}), ed),
		"service, empty org":     sign(header(nil), claims(m{"role": "service", "org": ""}), ed),
		"client app without org": sign(header(nil), claims(m{"role": "client-app", "org": nil}), ed),

		// Shape.
		"oversized":          sign(header(nil), claims(m{"pad": strings.Repeat("a", auth.MaxToken)}), ed),
		"empty":              "",
		"one part":           "abc",
		"two parts":          parts[0] + "." + parts[1],
		"four parts":         good + "." + parts[2],
		"five parts, as JWE": good + ".." + parts[2],
		"dots":               "..",
		"leading space":      " " + good,
		"trailing newline":   good + "\n",
		"NUL":                good + "\x00",
		"not UTF-8":          "\xff\xfe." + parts[1] + "." + parts[2],
		"JSON form of JWS":   fmt.Sprintf(`{"payload":%q,"protected":%q,"signature":%q}`, parts[1], parts[0], parts[2]),
		"deeply nested":      sign(header(nil), strings.Repeat(`{"a":`, 1000)+"1"+strings.Repeat("}", 1000), ed),
	}
	if len(cases) < 30 {
		t.Fatalf("only %d cases", len(cases))
	}
	for name, token := range cases {
		t.Run(name, func(t *testing.T) {
			c, err := v.Verify(token, now)
			e := errs.As(err)
			if e == nil || e.Kind != errs.Unauthenticated || e.Reason != "TOKEN_INVALID" {
				t.Fatalf("got %+v, %v; want Unauthenticated TOKEN_INVALID", c, err)
			}
			if c.Subject != "" || c.Role != "" || c.Org.ID != "" || c.AllOrgs {
				t.Errorf("a refused token yields a caller: %+v", c)
			}
			if token != "" && len(token) > 10 && strings.Contains(e.Error(), token[:10]) {
				t.Errorf("the message repeats the token: %v", e)
			}
		})
	}
}

// nextInAlphabet returns a base64url letter that decodes to the same bytes if the unused low bits are ignored.
func nextInAlphabet(c byte) byte {
	const alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
	return alphabet[strings.IndexByte(alphabet, c)^1]
}

func TestNoKeyNoTrust(t *testing.T) {
	key := newKey(t)
	token, err := key.Mint(auth.Claims{Subject: "ana", Role: auth.RoleOperator, Issued: now, Expires: now.Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := auth.NewVerifier().Verify(token, now); !errs.Is(err, "TOKEN_INVALID") {
		t.Errorf("got %v", err)
	}
}

func TestMintRefuses(t *testing.T) {
	key := newKey(t)
	good := auth.Claims{Subject: "ana", Role: auth.RoleAuditor, Org: "reef", Issued: now, Expires: now.Add(time.Hour)}
	for name, change := range map[string]func(*auth.Claims){
		"no subject":          func(c *auth.Claims) { c.Subject = "" },
		"no role":             func(c *auth.Claims) { c.Role = "" },
		"unknown role":        func(c *auth.Claims) { c.Role = "root" },
		"no org":              func(c *auth.Claims) { c.Org = "" },
		"malformed org":       func(c *auth.Claims) { c.Org = "orgs/reef" },
		"operator with org":   func(c *auth.Claims) { c.Role = auth.RoleOperator },
		"service with org":    func(c *auth.Claims) { c.Role = auth.RoleService },
		"no expiry":           func(c *auth.Claims) { c.Expires = time.Time{} },
		"no instant of issue": func(c *auth.Claims) { c.Issued = time.Time{} },
		"expires when issued": func(c *auth.Claims) { c.Expires = c.Issued },
	} {
		c := good
		change(&c)
		if token, err := key.Mint(c); err == nil {
			t.Errorf("%s: minted %s", name, token)
		}
	}
	if _, err := key.Mint(good); err != nil {
		t.Error(err)
	}
}

func FuzzVerify(f *testing.F) {
	key := newKey(f)
	v := auth.NewVerifier(key.Public())
	token, err := key.Mint(auth.Claims{Subject: "ana", Role: auth.RoleAuditor, Org: "reef", Issued: now, Expires: now.Add(time.Hour)})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(token)
	f.Add("a.b.c")
	f.Add("e30.e30.")
	f.Fuzz(func(t *testing.T, s string) {
		if _, err := v.Verify(s, now); err == nil && s != token {
			t.Fatalf("accepted %q", s)
		}
	})
}
