package board

import (
	"bytes"
	"encoding/json"
	"net/http"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
)

// refusedStreams answers for a stream that fails before its first message as for every other call: with a problem. What a stream ends with later
// is its last line, as the gateway writes it.
func (b *Board) refusedStreams(next runtime.HandlerFunc) runtime.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request, params map[string]string) {
		s := &startWriter{ResponseWriter: w}
		next(s, r, params)
		if !s.failed {
			return
		}
		var chunk struct{ Error json.RawMessage }
		st := &spb.Status{}
		if json.Unmarshal(s.body.Bytes(), &chunk) != nil || protojson.Unmarshal(chunk.Error, st) != nil {
			b.problem(w, r, problemOf(http.StatusInternalServerError, "INTERNAL", "a fault of the service; its log has the details"))
			return
		}
		b.callFailed(r.Context(), nil, nil, w, r, status.ErrorProto(st))
	}
}

// startWriter holds back an answer that begins with a failure which is not told as a problem.
type startWriter struct {
	http.ResponseWriter
	begun, failed bool
	body          bytes.Buffer
}

func (w *startWriter) WriteHeader(code int) {
	if w.begun {
		return
	}
	w.begun = true
	if w.failed = code >= 400 && w.Header().Get("Content-Type") != problemType; !w.failed {
		w.ResponseWriter.WriteHeader(code)
	}
}

func (w *startWriter) Write(p []byte) (int, error) {
	if w.failed {
		return w.body.Write(p)
	}
	w.begun = true
	return w.ResponseWriter.Write(p)
}

// FlushError sends what was written so far.
func (w *startWriter) FlushError() error {
	if w.failed {
		return nil
	}
	return http.NewResponseController(w.ResponseWriter).Flush()
}

// Unwrap lets http.ResponseController find the connection.
func (w *startWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }
