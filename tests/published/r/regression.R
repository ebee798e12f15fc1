# Models of clustered units: packages geepack and sandwich.
source("common.R")
suppressMessages({
  library(geepack)
  library(sandwich)
})

for (d in sets_of("logistic")) {
  set <- d$set[1]
  d <- d[order(d$cluster), ]
  exact <- geese.control(epsilon = 1e-12, maxit = 200)
  clusters <- length(unique(d$cluster))
  # The working correlation is given, as ours found it: every coefficient and error must then be the same ...
  pairs <- sum(choose(table(d$cluster), 2))
  attempt({
    given <- geese(y ~ x1 + x2, id = cluster, data = d, family = binomial, corstr = "fixed",
                   zcor = rep(d$alpha[1], pairs), control = exact)
    answer(set, "gee.given", given$beta)
    # (below forty clusters ours are corrected, and larger)
    answer(set, if (clusters < 40) "gee.se_few" else "gee.se_given", sqrt(diag(given$vbeta)))
  })
  # ... and found by geepack, which divides by all units where ours leaves out the terms: nearly the same.
  if (clusters >= 40) attempt({
    own <- geese(y ~ x1 + x2, id = cluster, data = d, family = binomial, corstr = "exchangeable", control = exact)
    answer(set, "gee_found.coefficient", own$beta)
    answer(set, "gee_found.se", sqrt(diag(own$vbeta)))
    answer(set, "gee_found.alpha", own$alpha)
  })
}

for (d in sets_of("minutes")) {
  set <- d$set[1]
  d$group <- factor(d$group)
  d$kind <- factor(d$kind)
  m <- length(unique(d$cluster))
  for (name in c("crude", "adjusted")) {
    fit <- if (name == "crude") lm(log(minutes) ~ group, d) else lm(log(minutes) ~ kind + size + group, d)
    # HC1 and the correction for the number of clusters: Liang and Zeger with what Stata does for few clusters.
    se <- sqrt(diag(vcovCL(fit, cluster = d$cluster, type = "HC1")))
    terms <- grep("^group", names(coef(fit)), value = TRUE)
    b <- coef(fit)[terms]
    half <- qt(0.975, m - 1) * se[terms]
    answer(set, paste0("minutes.", name), exp(c(b, b - half, b + half)))
  }
}

for (d in sets_of("seen")) {
  set <- d$set[1]
  attempt({
    # Inverse probability of being seen; its error from the scores of both estimating equations, summed over clusters,
    # with the share's slope in the model's coefficients found by finite differences.
    model <- glm(seen ~ factor(c1) + factor(c2), binomial, d, control = glm.control(epsilon = 1e-14, maxit = 100))
    x <- model.matrix(model)
    y <- ifelse(d$seen == 1, d$event, 0)
    weights <- function(b) d$seen * (1 + exp(-x %*% b))[, 1]
    w <- weights(coef(model))
    share <- sum(w * y) / sum(w)
    b0 <- coef(model)
    slope <- sapply(seq_along(b0), function(j) {
      up <- replace(b0, j, b0[j] + 1e-5)
      down <- replace(b0, j, b0[j] - 1e-5)
      (sum(weights(up) * (y - share)) - sum(weights(down) * (y - share))) / 2e-5
    })
    moves <- (w * (y - share) + estfun(model) %*% (bread(model) / nrow(d)) %*% slope) / sum(w)
    by_cluster <- tapply(moves[, 1], d$cluster, sum)
    m <- length(by_cluster)
    se <- sqrt(m / (m - 1) * sum(by_cluster^2))
    odds <- qlogis(share)
    half <- qnorm(0.975) * se / (share * (1 - share))
    ok <- model$converged && share > 0 && share < 1 && all(abs(b0) < 10)
    if (ok) answer(set, "seen.share", c(share, plogis(odds - half), plogis(odds + half)))
  })
}
done()
