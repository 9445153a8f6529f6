package historyrpc

import (
	"context"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench/wire"
)

// Judge judges readings that come with everything the answer depends on.
func (s *Server) Judge(_ context.Context, req *historypb.JudgeRequest) (*historypb.JudgeResponse, error) {
	return wire.Judge(req)
}
