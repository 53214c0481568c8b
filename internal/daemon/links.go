package daemon

import (
	"context"
	"sync"

	"dewline/internal/config"
	"dewline/internal/status"
)

type links struct{ followers []follower }

func openLinks(l *loop) (*links, error) { return &links{}, nil }

func (k *links) start(ctx context.Context, wait *sync.WaitGroup) {}
func (k *links) stop()                                           {}
func (k *links) address() string                                 { return "" }
func (k *links) states() []status.Outlet                         { return nil }
func (k *links) reconfigure(old, site *config.Site) error        { return nil }
