package page_test

import (
	"testing"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
)

type cursor struct {
	Tag string
	N   int64
}

func TestTokens(t *testing.T) {
	t.Parallel()
	s := page.NewSigner([]byte("key of the test"))
	give := cursor{"B-1", 7}
	token, err := s.Encode("ListUnits|orgs/reef|kind = bcd", give)
	if err != nil {
		t.Fatal(err)
	}
	var got cursor
	if err := s.Decode("ListUnits|orgs/reef|kind = bcd", token, &got); err != nil || got != give {
		t.Errorf("%v %v", got, err)
	}
	if err := page.NewSigner([]byte("key of the test")).Decode("ListUnits|orgs/reef|kind = bcd", token, &got); err != nil {
		t.Errorf("another replica with the same key: %v", err)
	}
	for name, try := range map[string]func() error{
		"another filter": func() error { return s.Decode("ListUnits|orgs/reef|kind = cylinder", token, &got) },
		"another org":    func() error { return s.Decode("ListUnits|orgs/kelp|kind = bcd", token, &got) },
		"another key": func() error {
			return page.NewSigner([]byte("other")).Decode("ListUnits|orgs/reef|kind = bcd", token, &got)
		},
		"cut":     func() error { return s.Decode("ListUnits|orgs/reef|kind = bcd", token[:len(token)-2], &got) },
		"nothing": func() error { return s.Decode("ListUnits|orgs/reef|kind = bcd", "", &got) },
	} {
		if err := try(); !errs.Is(err, "PAGE_TOKEN_INVALID") || errs.As(err).Kind != errs.Invalid {
			t.Errorf("%s: %v", name, err)
		}
	}
	for i := range token { // any change of any character is found
		b := []byte(token)
		b[i] ^= 1
		if string(b) != token && s.Decode("ListUnits|orgs/reef|kind = bcd", string(b), &got) == nil && i < len(token)-1 {
			t.Errorf("a token changed at %d was taken", i)
		}
	}
}

func TestSize(t *testing.T) {
	t.Parallel()
	for give, want := range map[int32]int{0: 50, 1: 1, 1000: 1000, 1001: 1000, 1 << 30: 1000} {
		if got := page.Size(give); got != want {
			t.Errorf("Size(%d) = %d, want %d", give, got, want)
		}
	}
}

func FuzzDecode(f *testing.F) {
	s := page.NewSigner([]byte("key"))
	good, _ := s.Encode("b", cursor{"x", 1})
	f.Add(good)
	f.Add("")
	f.Add("!!!!")
	f.Fuzz(func(t *testing.T, token string) {
		var c cursor
		if err := s.Decode("b", token, &c); err == nil && c != (cursor{"x", 1}) {
			t.Errorf("a token nobody made was taken: %q", token)
		}
	})
}
