package private

import (
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
)

// account is who runs the server: nil credential for ourselves.
type account struct {
	name string
	cred *syscall.Credential
}

// serverAccount returns ourselves, or as root (which PostgreSQL refuses) the user postgres, else nobody.
func serverAccount() (account, error) {
	if os.Geteuid() != 0 {
		return account{}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
		gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
		if err1 != nil || err2 != nil || uid == 0 {
			continue
		}
		return account{name: name, cred: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid), Groups: []uint32{}}}, nil
	}
	return account{}, unusable("PostgreSQL does not run as root, and there is neither a user postgres nor nobody to run it as")
}

// own makes dir, for the server alone.
func (a account) own(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	if err := os.Chmod(dir, 0o700); err != nil {
		return err
	}
	if a.cred != nil {
		return os.Chown(dir, int(a.cred.Uid), int(a.cred.Gid))
	}
	return nil
}

// reaches says whether the account may walk to dir: every folder above it must be searchable. Only the mode bits count
// here; an access list can make it wrong, and then the server says so.
func (a account) reaches(dir string) (bool, error) {
	if a.cred == nil {
		return true, nil
	}
	for d := filepath.Dir(dir); ; d = filepath.Dir(d) {
		fi, err := os.Stat(d)
		if err != nil {
			return false, err
		}
		st, ok := fi.Sys().(*syscall.Stat_t)
		if !ok {
			return false, fmt.Errorf("cannot read who owns %s", d)
		}
		bit := os.FileMode(0o001)
		switch {
		case st.Uid == a.cred.Uid:
			bit = 0o100
		case st.Gid == a.cred.Gid || slices.Contains(a.cred.Groups, st.Gid):
			bit = 0o010
		}
		if fi.Mode().Perm()&bit == 0 {
			return false, nil
		}
		if d == filepath.Dir(d) {
			return true, nil
		}
	}
}
