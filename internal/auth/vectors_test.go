package auth

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/hex"
	"testing"

	"github.com/golang-jwt/jwt/v5"
)

// The test vectors of Ed25519: RFC 8032, section 7.1, TEST 1, 2, 3 and SHA(abc). Signing is deterministic, so that the signature must be equal.
func TestRFC8032Vectors(t *testing.T) {
	for _, c := range []struct{ name, secret, public, message, signature string }{
		{
			"TEST 1",
			"9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
			"d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
			"",
			"e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
		},
		{
			"TEST 2",
			"4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
			"3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
			"72",
			"92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
		},
		{
			"TEST 3",
			"c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
			"fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
			"af82",
			"6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
		},
		{
			"TEST SHA(abc)",
			"833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
			"ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
			"ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
			"dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			private := ed25519.NewKeyFromSeed(unhex(t, c.secret))
			public := private.Public().(ed25519.PublicKey)
			if !bytes.Equal(public, unhex(t, c.public)) {
				t.Fatalf("public key %x", public)
			}
			// Through the same library calls that tokens go through.
			signature, err := jwt.SigningMethodEdDSA.Sign(string(unhex(t, c.message)), private)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(signature, unhex(t, c.signature)) {
				t.Fatalf("signature %x", signature)
			}
			if err := jwt.SigningMethodEdDSA.Verify(string(unhex(t, c.message)), signature, public); err != nil {
				t.Error(err)
			}
			for i := range signature {
				bad := bytes.Clone(signature)
				bad[i] ^= 0x10
				if jwt.SigningMethodEdDSA.Verify(string(unhex(t, c.message)), bad, public) == nil {
					t.Fatalf("accepted with byte %d changed", i)
				}
			}
		})
	}
}

// RFC 8032, section 5.1.7: S must be below the group order L, else a signature could be altered into a second valid one.
func TestSignatureIsNotMalleable(t *testing.T) {
	private := ed25519.NewKeyFromSeed(unhex(t, "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"))
	signature := ed25519.Sign(private, []byte{0x72})
	// L = 2^252 + 27742317777372353535851937790883648493, little-endian (section 5.1).
	order := unhex(t, "edd3f55c1a631258d69cf7a2def9de1400000000000000000000000000000010")
	carry := 0
	for i := range order {
		carry += int(signature[32+i]) + int(order[i])
		signature[32+i] = byte(carry)
		carry >>= 8
	}
	if jwt.SigningMethodEdDSA.Verify("\x72", signature, private.Public()) == nil {
		t.Error("accepted a signature with S + L")
	}
}

// RFC 8037, appendix A: the key of A.1, its thumbprint of A.3, and the signature of A.4.
func TestRFC8037Examples(t *testing.T) {
	seed, err := base64.RawURLEncoding.DecodeString("nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A")
	if err != nil {
		t.Fatal(err)
	}
	key := newKey(ed25519.NewKeyFromSeed(seed))
	if got, want := base64.RawURLEncoding.EncodeToString(key.Public()), "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"; got != want {
		t.Errorf("x is %s, want %s", got, want)
	}
	if got, want := key.ID(), "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"; got != want {
		t.Errorf("thumbprint is %s, want %s", got, want)
	}
	const signingInput = "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc"
	signature, err := jwt.SigningMethodEdDSA.Sign(signingInput, key.private)
	if err != nil {
		t.Fatal(err)
	}
	const want = "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
	if got := base64.RawURLEncoding.EncodeToString(signature); got != want {
		t.Errorf("signature is %s, want %s", got, want)
	}
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
