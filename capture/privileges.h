/*
 * Privileges are for setting the link and for the large receive buffer only. They are dropped, and proved dropped,
 * before any path that the user named is opened (D 10.6).
 */
#ifndef TT_CAPTURE_PRIVILEGES_H
#define TT_CAPTURE_PRIVILEGES_H

#include "../decoder/support/diagnostics.h"

/* May this process set links (CAP_NET_ADMIN effective)? */
bool privileges_may_set_links(void);
/*
 * Run by sudo: becomes the calling user with that user's groups (SUDO_UID, SUDO_GID). In every case all capabilities
 * go, from the bounding set too where that is allowed, and none can be gained by running a program any more. Then it is
 * proved: ids and capabilities are read back, and becoming root again must fail. 0, or EXIT_OUR_FAULT, told.
 */
TT_MUST_USE int privileges_drop(struct diagnostics *diagnostics);

#endif
