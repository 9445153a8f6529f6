package auth_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"strandline.example/strandline/internal/auth"
)

func TestKeyFileIsMadeOnceAndPrivate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "keys", "signing.pem")
	var wg sync.WaitGroup
	ids := make([]string, 16)
	for i := range ids {
		wg.Go(func() {
			key, err := auth.LoadOrCreateKey(path)
			if err != nil {
				t.Error(err)
				return
			}
			ids[i] = key.ID()
		})
	}
	wg.Wait()
	for _, id := range ids {
		if id == "" || id != ids[0] {
			t.Fatalf("starters got different keys: %v", ids)
		}
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	left, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(left) != 1 {
		t.Errorf("files left: %v, %v", left, err)
	}
}

func TestKeyFileOfOthersIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "signing.pem")
	if _, err := auth.LoadOrCreateKey(path); err != nil {
		t.Fatal(err)
	}
	for _, mode := range []fs.FileMode{0o640, 0o620, 0o604, 0o602, 0o644, 0o666, 0o610} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		if _, err := auth.LoadOrCreateKey(path); err == nil {
			t.Errorf("mode %o was accepted", mode)
		}
	}
	if err := os.Chmod(path, 0o400); err != nil {
		t.Fatal(err)
	}
	if _, err := auth.LoadOrCreateKey(path); err != nil {
		t.Errorf("mode 0400: %v", err)
	}
}

func TestBrokenKeyFiles(t *testing.T) {
	p256, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(p256)
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range map[string]string{
		"empty":       "",
		"no PEM":      "secret",
		"other type":  string(pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: der})),
		"wrong curve": string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})),
		"damaged":     string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der[:20]})),
		"two blocks":  string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})) + string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})),
	} {
		path := filepath.Join(t.TempDir(), "key.pem")
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := auth.LoadOrCreateKey(path); err == nil {
			t.Errorf("%s: accepted", name)
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != content {
			t.Errorf("%s: the file was changed", name)
		}
	}
	if _, err := auth.LoadKey(filepath.Join(t.TempDir(), "none")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
	if _, err := auth.LoadKey(t.TempDir()); err == nil {
		t.Error("a folder was accepted")
	}
}

func TestSecretsDifferByPurpose(t *testing.T) {
	key := newKey(t)
	a, again, b := key.Secret("a"), key.Secret("a"), key.Secret("b")
	if !bytes.Equal(a, again) || bytes.Equal(a, b) || len(a) != 32 {
		t.Errorf("secrets are not one per purpose: %x %x %x", a, again, b)
	}
}
