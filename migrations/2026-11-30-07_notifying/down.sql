DROP TABLE public_answers, webhook_calls, webhooks;
