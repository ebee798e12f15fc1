# Shares, rates, quantiles, tests in strata, samples: base R.
source("common.R")

for (d in sets_of("counts")) {
  set <- d$set[1]
  c0 <- d$confidence
  if (d$n1 > 0) {
    answer(set, "wilson.limits", prop.test(d$x1, d$n1, conf.level = c0, correct = FALSE)$conf.int)
    answer(set, "clopper.limits", binom.test(d$x1, d$n1, conf.level = c0)$conf.int)
    if (d$x1 == 0) {
      answer(set, "clopper.zero_one_sided", binom.test(0, d$n1, alternative = "less", conf.level = c0)$conf.int[2])
      answer(set, "clopper.zero_two_sided", binom.test(0, d$n1, conf.level = c0)$conf.int[2])
    }
    if (d$n2 > 0) {
      # Newcombe's hybrid of the two score intervals (1998, method 10), put together by hand.
      p <- c(d$x1 / d$n1, d$x2 / d$n2)
      w1 <- prop.test(d$x1, d$n1, conf.level = c0, correct = FALSE)$conf.int
      w2 <- prop.test(d$x2, d$n2, conf.level = c0, correct = FALSE)$conf.int
      delta <- p[1] - p[2]
      answer(set, "newcombe.limits", c(
        delta,
        delta - sqrt((p[1] - w1[1])^2 + (w2[2] - p[2])^2),
        delta + sqrt((w1[2] - p[1])^2 + (p[2] - w2[1])^2)
      ))
    }
  }
  answer(set, "poisson.limits", poisson.test(d$x1, d$t1, conf.level = c0)$conf.int)
  if (d$x1 + d$x2 > 0) {
    r <- poisson.test(c(d$x1, d$x2), c(d$t1, d$t2), conf.level = c0)
    answer(set, "rate_ratio.limits", c(r$estimate, r$conf.int))
    answer(set, "rate_ratio.p", r$p.value)
  }
}

for (d in sets_of("ranks")) {
  # As many values below the limit as the tail holds: the quantile of Binomial(n, 1/2), none of them if it is 0.
  k <- qbinom((1 - d$confidence) / 2, d$n, 0.5)
  answer(d$set[1], "quantile.ranks", if (k > 0) c(k, d$n + 1 - k) else c(NA, NA))
}

for (d in sets_of("samples")) {
  set <- d$set[1]
  answer(set, "quantile.type7", quantile(d$value, c(0.25, 0.5, 0.75, 0.9), type = 7))
  if (nrow(d) > 1) {
    answer(set, "mean_t.limits", attempt({
      t <- t.test(d$value)
      c(t$estimate, t$conf.int)
    }))
  }
}

for (d in sets_of("strata")) {
  set <- d$set[1]
  tables <- array(t(as.matrix(d[, c("a", "c", "b", "d")])), c(2, 2, nrow(d)))
  attempt({
    test <- mantelhaen.test(tables, correct = FALSE)
    # Without a sum in one direction R says 0 or infinite, ours "not estimable": there are no limits either way.
    known <- is.finite(test$estimate) && test$estimate > 0
    answer(set, "mh.odds", if (known) c(test$estimate, test$conf.int) else rep(NA, 3))
    answer(set, "mh.test", c(test$statistic, test$p.value))
    # A distance below one half is not corrected by R; ours is then 0, no evidence at all.
    corrected <- mantelhaen.test(tables, correct = TRUE)
    small <- corrected$statistic == test$statistic
    answer(set, "mh.corrected", if (small) c(0, 1) else c(corrected$statistic, corrected$p.value))
    used <- apply(tables, 3, function(t) all(rowSums(t) > 0) && all(colSums(t) > 0))
    if (known && sum(used) > 1) {
      # Breslow and Day 1980: the count that the pooled odds ratio expects, by root finding; Tarone 1985.
      parts <- apply(tables[, , used, drop = FALSE], 3, function(t) {
        row <- sum(t[1, ])
        column <- sum(t[, 1])
        all <- sum(t)
        off <- function(x) x * (all - row - column + x) - test$estimate * (row - x) * (column - x)
        ends <- c(max(0, row + column - all), min(row, column))
        x <- if (diff(ends) > 0) uniroot(off, ends, tol = 1e-13)$root else ends[1]
        c(t[1, 1], x, 1 / (1 / x + 1 / (row - x) + 1 / (column - x) + 1 / (all - row - column + x)))
      })
      bd <- sum((parts[1, ] - parts[2, ])^2 / parts[3, ])
      tarone <- bd - sum(parts[1, ] - parts[2, ])^2 / sum(parts[3, ])
      answer(set, "mh.breslow_day", c(bd, pchisq(bd, sum(used) - 1, lower.tail = FALSE), tarone))
    }
  })
}

for (d in sets_of("pvalues")) {
  for (method in c("BH", "holm", "bonferroni")) {
    answer(d$set[1], paste0("adjusted.", method), p.adjust(d$p, method))
  }
}

for (d in sets_of("power")) {
  answer(d$set[1], "power.power", power.prop.test(n = d$n, p1 = d$p1, p2 = d$p2)$power)
  answer(d$set[1], "power.n", power.prop.test(p1 = d$p1, p2 = d$p2, power = 0.8, tol = 1e-10)$n)
}
done()
