# Kaplan-Meier, log-rank, Weibull lives, competing events: packages survival and cmprsk.
source("common.R")
suppressMessages({
  library(survival)
  library(cmprsk)
})
half <- function(curve, times) {
  reached <- which(!is.na(curve) & curve <= 0.5)
  if (length(reached)) times[reached[1]] else NA
}
exact <- survreg.control(rel.tolerance = 1e-12, maxiter = 500)

for (d in sets_of("subjects")) {
  set <- d$set[1]
  fit <- survfit(Surv(time, event) ~ 1, data = d, conf.type = "log-log")
  plain <- survfit(Surv(time, event) ~ 1, data = d, conf.type = "plain")
  at <- which(fit$n.event > 0)
  known <- ifelse(fit$surv[at] > 0, 1, NA)  # where survival is 0 survfit keeps some figures, ours has none
  answer(set, "km.times", fit$time[at])
  answer(set, "km.risk", fit$n.risk[at])
  answer(set, "km.survival", fit$surv[at])
  answer(set, "km.se", known * (fit$surv * fit$std.err)[at])
  answer(set, "km.low", fit$lower[at])
  answer(set, "km.high", fit$upper[at])
  answer(set, "km.plain_low", known * pmax(plain$lower[at], 0))
  answer(set, "km.plain_high", known * plain$upper[at])
  together <- survfit(Surv(time, event) ~ 1, data = d, cluster = cluster)
  if (length(unique(d$cluster)) > 1) {
    answer(set, "km_clustered.se", known * (together$std.err * if (together$logse) together$surv else 1)[at])
  }
  # survfit's own median is the middle of a step at just one half (statistics.md, 5); there is nothing to compare then,
  # nor where rounding decides whether a limit has reached it.
  curves <- c(fit$surv, fit$lower, fit$upper)
  if (!any(abs(curves - 0.5) < 1e-9, na.rm = TRUE)) {
    answer(set, "km.median", quantile(fit, 0.5)$quantile)
    # At survival 0 the limits are not defined; quantile() takes the last time for the upper one, ours says nothing.
    answer(set, "km.median_low", half(fit$lower[at], fit$time[at]))
    answer(set, "km.median_high", half(fit$upper[at], fit$time[at]))
  }
  if (length(unique(d$group)) > 1) {
    attempt({
      test <- survdiff(Surv(time, event) ~ group, data = d)
      answer(set, "logrank.observed", test$obs)
      answer(set, "logrank.expected", test$exp)
      if (sum(test$exp > 0) > 1 && qr(test$var)$rank == sum(test$exp > 0) - 1) {
        answer(set, "logrank.chi2", test$chisq)
        answer(set, "logrank.p", pchisq(test$chisq, sum(test$exp > 0) - 1, lower.tail = FALSE))
      }
    })
  }
  clusters <- tapply(d$cluster, d$group, function(c) length(unique(c)))
  # Ours is silent with fewer clusters of a group than that, and the plain test where every cluster is one unit.
  if (length(clusters) > 1 && min(clusters) >= 10 && any(duplicated(d$cluster))) {
    attempt({
      cox <- coxph(Surv(time, event) ~ factor(group), data = d, cluster = cluster, ties = "breslow")
      answer(set, "robust_score.chi2", cox$rscore)
    })
  }
  whole <- all(d$time == floor(d$time)) && all(d$time >= 1)
  if (whole) {
    uses <- seq_len(max(d$time))
    risk <- summary(fit, times = uses, extend = TRUE)$n.risk
    events <- tabulate(d$time[d$event == 1], max(d$time))
    limits <- mapply(function(x, n) prop.test(x, n, correct = FALSE)$conf.int, events, risk)
    answer(set, "hazard.hazard", events / risk)
    answer(set, "hazard.low", limits[1, ])
    answer(set, "hazard.high", limits[2, ])
    if (length(unique(d$time[d$event == 1])) > 1) {
      # A use-counted life lies between j - 1 and j uses, a censored one above j.
      from <- ifelse(d$event == 1, ifelse(d$time == 1, NA, d$time - 1), d$time)
      to <- ifelse(d$event == 1, d$time, NA)
      attempt({
        w <- survreg(Surv(from, to, type = "interval2") ~ 1, dist = "weibull", control = exact)
        if (abs(log(w$scale)) < 3) answer(set, "weibull.uses", c(1 / w$scale, exp(coef(w)), w$loglik[2]))
      })
    }
  }
  causes <- sort(unique(d$cause[d$cause > 0]))
  if (length(causes)) {
    jumps <- sort(unique(d$time))
    curves <- cuminc(d$time, d$cause)
    points <- timepoints(curves, jumps)$est
    d$state <- factor(d$cause, c(0, causes))
    states <- survfit(Surv(time, state) ~ 1, data = d)
    # Of several states survfit takes no heed of `cluster`: each subject's influence is added up by cluster here.
    moves <- survfit(Surv(time, state) ~ 1, data = d, influence = TRUE)$influence.pstate
    for (k in causes) {
      own <- points[paste(1, k), ]
      answer(set, paste0("cmprsk.", k), own[!is.na(own)])
      answer(set, paste0("states.", k), states$pstate[, match(as.character(k), states$states)])
      own <- matrix(moves[, -1, match(as.character(k), states$states)], nrow(d))
      answer(set, paste0("states_error.", k), colSums(own^2))
      if (length(unique(d$cluster)) > 1) {
        answer(set, paste0("states_clustered.", k), colSums(rowsum(own, d$cluster)^2))
      }
    }
  }
}

# Events seen only at visits: between left and right, or after left.
for (d in sets_of("visits")) {
  set <- d$set[1]
  d$from <- ifelse(d$left == 0, NA, d$left)
  d$to <- ifelse(is.finite(d$right), d$right, NA)
  for (family in c("weibull", "loglogistic")) {
    attempt({
      times <- Surv(d$from, d$to, type = "interval2")
      found <- survreg(times ~ x, data = d, dist = family, control = exact)
      if (abs(log(found$scale)) < 3 && abs(coef(found)[2]) < 10) {
        answer(set, paste0("visits.", family), c(coef(found), found$scale, found$loglik[2]))
        answer(set, paste0("visits_error.", family), sqrt(diag(vcov(found)))[2])
        # survreg's residuals are not the slopes of the likelihood where events lie in intervals, and its errors by
        # cluster (and sandwich's, which are made of them) are off by up to a tenth: here are the slopes themselves.
        each <- function(terms) {
          below <- function(t) psurvreg(t, terms[1] + terms[2] * d$x, exp(terms[3]), family)
          log(ifelse(is.finite(d$right), below(d$right), 1) - ifelse(d$left > 0, below(d$left), 0))
        }
        terms <- c(coef(found), log(found$scale))
        slopes <- sapply(1:3, function(j) {
          (each(terms + 1e-4 * (1:3 == j)) - each(terms - 1e-4 * (1:3 == j))) / 2e-4
        })
        by_cluster <- vcov(found) %*% crossprod(rowsum(slopes, d$cluster)) %*% vcov(found)
        answer(set, paste0("visits_error.by_cluster_", family), sqrt(diag(by_cluster))[2])
      }
    })
  }
}
done()
